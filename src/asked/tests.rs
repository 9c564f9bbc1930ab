//! Numbers as people type them, and messages that say what to do.

use super::*;

#[test]
fn numbers_are_read_as_people_type_them() {
    let read = |field: Field, typed: &str| field.read(typed).unwrap();
    let near = |a: f64, b: f64| assert!((a - b).abs() < 1e-12 * b.abs().max(1.0), "{a} for {b}");
    near(read(Field::CeilingDrive, " −12,5 dB"), -12.5);
    near(read(Field::Listening, "75 dB"), 75.0);
    near(read(Field::Listening, "75dB SPL"), 75.0);
    near(read(Field::Wanted, "0,5"), 0.5);
    near(read(Field::CalibratorFrequency, "1 kHz"), 1000.0);
    near(read(Field::ChainCeilingVolts, "500 mV"), 0.5);
    near(read(Field::Resistor, "1,5 kΩ"), 1500.0);
    near(read(Field::CeilingMilliwatts, "0.1 W"), 100.0);
    near(read(Field::MeterAccuracy, "1,5 %"), 1.5);
    near(read(Field::Reading, "4.52e-1"), 0.452);
}

#[test]
fn what_can_be_read_two_ways_or_in_another_unit_is_not_guessed() {
    let said = |field: Field, typed: &str| field.read(typed).unwrap_err().to_string();
    assert!(said(Field::InputResistance, "10,000").contains("can be read as 10000 or as 10.000. Type the resistance"));
    assert!(said(Field::Listening, "−12 dBFS").contains("is not a number"));
    assert!(said(Field::CeilingVolts, "2 MV").contains("is not a number"), "a million volts are not two millivolts");
    assert!(said(Field::Seats, "2.5").contains("is not a whole number"));
    assert!(Field::Wanted.read("0,500").is_ok() && Field::InputResistance.read("10000,5").is_ok());
}

#[test]
fn a_message_names_field_range_and_unit() {
    assert_eq!(
        Field::Listening.read("150").unwrap_err().to_string(),
        "The listening level is 150 dB SPL; it must lie between 20 and 120 dB SPL: a lower level is inaudible, a higher one injures the ear."
    );
    assert_eq!(
        Field::Listening.read("7O").unwrap_err().to_string(),
        "\u{201c}7O\u{201d} is not a number. Type the listening level in dB SPL, for example 70."
    );
    let long = format!("{}\u{1b}[2J", "9".repeat(10_000));
    let message = Field::Listening.read(&long).unwrap_err().to_string();
    assert!(message.chars().count() < 250 && !message.contains('\u{1b}'), "{message}");
}

#[test]
fn a_value_and_half_its_interval_are_parted_by_a_blank() {
    let read = |typed: &str| Field::Volts.read_with_half(typed).map(|e| (e.value, e.half_width()));
    for typed in ["1.41 0.02", "1,41 ± 0,02", "1.41;0.02", "1.41 V 20 mV", "1.41,0.02"] {
        let (value, half) = read(typed).unwrap();
        assert!((value - 1.41).abs() < 1e-12 && (half - 0.02).abs() < 1e-12, "{typed}");
    }
    let said = |typed: &str| read(typed).unwrap_err().to_string();
    assert!(said("2").contains("and half its 95 % interval, for example 1.41 0.02"), "{}", said("2"));
    assert!(said("2,5").contains("for example"), "two and five, or two and a half");
    assert!(said("2 3").contains("it must lie between 0 and 2 V"), "{}", said("2 3"));
    assert!(said("2 -0.1").contains("it must lie between 0 and 2 V"));
    assert!(Field::Source.read_with_half("0 0").is_ok(), "an ideal source");
}

#[test]
fn a_reading_is_worth_its_last_digit() {
    let typed = |text| electrical::reading(text).map(|r| (r.volts, r.last_digit_v));
    let near = |text, volts: f64, last: f64| {
        let (v, l) = typed(text).unwrap();
        assert!((v / volts - 1.0).abs() < 1e-12 && (l / last - 1.0).abs() < 1e-12, "{text}: {v} {l}");
    };
    near(" 0.452 V ", 0.452, 0.001);
    near("1,4", 1.4, 0.1);
    near("2", 2.0, 1.0);
    near("44 mV", 0.044, 0.001);
    near("4.5e-2", 0.045, 0.001);
    assert!(typed("loud").unwrap_err().to_string().contains("is not a number"));
    assert!(typed("inf").is_err() && typed("0").is_err());
    let two = electrical::readings("2.0 1.50").unwrap();
    assert!((two[0].last_digit_v - 0.1).abs() < 1e-12 && (two[1].last_digit_v - 0.01).abs() < 1e-12);
}

#[test]
fn channels_count_from_one_and_stand_once() {
    let read = |typed: &str| chain::channels(Field::PlaybackChannels, typed, Some(4));
    assert_eq!(read("1, 3"), Ok(vec![0, 2]));
    for (typed, says) in
        [("0", "is not a channel"), ("5", "has 4 channels"), ("1 1", "typed twice"), ("", "counted from 1")]
    {
        assert!(read(typed).unwrap_err().to_string().contains(says), "{typed}");
    }
}

/// The sentences of the table, as they stand in messages.
#[test]
fn every_example_of_the_table_is_read_and_lies_in_its_range() {
    for field in Field::ALL {
        let row = field.row();
        assert!(row.low < row.high, "{field:?}");
        let lies = |values: Vec<f64>| values.iter().all(|v| (row.low..=row.high).contains(v)) && !values.is_empty();
        let reads = match row.takes {
            Takes::Number | Takes::Whole => field.read(row.example).is_ok_and(|v| lies(vec![v])),
            Takes::List => field.read_list(row.example).is_ok_and(lies),
            Takes::WithHalf => field.read_with_half(row.example).is_ok_and(|e| lies(vec![e.value])),
            Takes::Two => electrical::readings(row.example).is_ok(),
            Takes::Words => chain::name(*field, row.example).is_ok(),
            Takes::Date => chain::date(row.example).is_ok(),
            Takes::Channels => chain::channels(*field, row.example, None).is_ok(),
        };
        assert!(reads, "{field:?}: {}", row.example);
    }
}
