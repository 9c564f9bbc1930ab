//! Reports: do they say what was stored, does a hostile name stay text in every format, and is nothing fetched or
//! overwritten?

use loudenough::account::document::{Cell, Document, Table};
use loudenough::account::stock::About;
use loudenough::account::write::folder::{ReportError, free_name, pictures, tables, write};
use loudenough::account::write::{Frame, Look, csv, html, markdown, svg};
use loudenough::account::{Added, session};
use loudenough::judgement::comparison::{Ask, compare};
use loudenough::judgement::{Judgement, judge};
use loudenough::session::record::Record;
use loudenough::session::storage::Storage;
use loudenough::stats::Reading;
use loudenough::stock::side_by_side::SideBySide;
use loudenough::stock::{Listener, Stock, learn};
use std::collections::BTreeSet;
use std::path::Path;

/// Names that some format would act on.
const HOSTILE: [&str; 8] = [
    "<img onerror=alert(1) src=x>",
    "=1+1",
    "+1",
    "-1+2",
    "@SUM(1)",
    "\t=1",
    "</style><script>x()</script><a href='http://x'>\"&amp;",
    "| a | `b` ![x](http://x) \u{1b}[31m",
];

fn stored() -> Record {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/session-v1");
    Storage::open(&folder).unwrap().1
}

fn added(text: Option<&str>) -> Added {
    Added { now: "2026-03-01T10:00:00+01:00".into(), text: text.map(Into::into), further: Vec::new() }
}

fn reported(record: &Record) -> (Judgement, Document) {
    let judgement = judge(record);
    let document = session::document(record, &judgement, &added(None));
    (judgement, document)
}

/// Every text that a user can type, replaced by this.
fn named(name: &str) -> Document {
    let mut record = stored();
    let chain = &mut record.head.chain;
    for field in [&mut chain.name, &mut chain.output, &mut chain.volume, &mut chain.headphone, &mut chain.gain] {
        *field = name.into();
    }
    chain.output_side.knob = name.into();
    record.head.id = name.into();
    session::document(&record, &judge(&record), &added(Some(name)))
}

/// Fields of a CSV as RFC 4180 has them, read by its grammar alone.
fn fields(text: &str) -> Vec<Vec<String>> {
    let mut rows = vec![vec![String::new()]];
    let (mut quoted, mut letters) = (false, text.chars().peekable());
    while let Some(c) = letters.next() {
        let field = rows.last_mut().unwrap().last_mut().unwrap();
        match c {
            '"' if quoted && letters.peek() == Some(&'"') => field.push(letters.next().unwrap()),
            '"' => quoted = !quoted,
            ',' if !quoted => rows.last_mut().unwrap().push(String::new()),
            '\r' if !quoted => {
                assert_eq!(letters.next(), Some('\n'));
                rows.push(vec![String::new()]);
            }
            c => field.push(c),
        }
    }
    assert!(!quoted && rows.pop() == Some(vec![String::new()]), "it ends with a line end");
    rows
}

/// Tags of HTML or SVG, `(name, attributes)`, closing ones as `/name`; text is checked for strays on the way.
fn tags(text: &str) -> Vec<(String, String)> {
    let mut found = Vec::new();
    for part in text.split('<').skip(1) {
        let (tag, rest) = part.split_once('>').unwrap_or_else(|| panic!("no end: {part}"));
        assert!(!rest.contains('>') || found.last().is_some_and(|(name, _)| name == "style"), "stray > in {rest}");
        let (name, attributes) = tag.split_once(' ').unwrap_or((tag, ""));
        found.push((name.trim_end_matches('/').to_string(), attributes.to_string()));
    }
    found
}

fn well_formed(text: &str, voids: &[&str]) {
    let mut open: Vec<String> = Vec::new();
    for (name, attributes) in tags(text) {
        if let Some(closed) = name.strip_prefix('/') {
            assert_eq!(open.pop().as_deref(), Some(closed));
        } else if !attributes.ends_with('/') && !voids.contains(&name.as_str()) && name != "!DOCTYPE" {
            open.push(name);
        }
    }
    assert!(open.is_empty(), "left open: {open:?}");
}

const VOIDS: [&str; 1] = ["meta"];
const HTML_TAGS: &str = "!DOCTYPE html head meta title style body header h1 p strong nav ul li a main section h2 div \
    table caption thead tbody tr th td figure figcaption span details summary svg desc rect clipPath g path text circle";

#[test]
fn a_hostile_name_stays_text_in_every_format() {
    for name in HOSTILE {
        let document = named(name);
        let page = html(&document);
        well_formed(&page, &VOIDS);
        for (tag, attributes) in tags(&page) {
            let tag = tag.trim_start_matches('/').to_string();
            assert!(HTML_TAGS.split_whitespace().any(|known| known == tag), "{name}: <{tag}>");
            assert!(!attributes.contains(" on") && !attributes.contains("http:"), "{name}: {attributes}");
        }
        let text = markdown(&document);
        assert!(!text.contains('<') && !text.contains("://"), "{name}");
        let open = text.replace("\\]", "");
        assert!(open.match_indices("](").all(|(at, _)| open[at..].starts_with("](pictures/")), "{name}");
        for table in tables(&document) {
            for field in fields(&csv(table)).into_iter().flatten() {
                let formula = field.starts_with(['=', '+', '-', '@', '\t', '\r', '\n']);
                assert!(!formula || field.parse::<f64>().is_ok(), "{}: {field:?}", table.name);
            }
        }
        for picture in pictures(&document) {
            let look = Look::Alone { palette: &loudenough::palette::DARK, labels: true };
            let drawn = svg(picture, Frame::WIDE, look);
            well_formed(&drawn, &[]);
            let known = ["svg", "title", "desc", "style", "rect", "clipPath", "g", "path", "text", "circle"];
            assert!(tags(&drawn).iter().all(|(tag, _)| known.contains(&tag.trim_start_matches('/'))), "{name}");
            assert!(!drawn.contains('\u{1b}'), "XML has no such character");
        }
    }
    let page = html(&named(HOSTILE[0]));
    assert!(page.contains("&lt;img onerror=alert(1) src=x&gt;"), "the name is there, as text");
}

/// The cell `column` of the row that begins with these two.
fn field(table: &[Vec<String>], quantity: &str, unit: &str, column: &str) -> f64 {
    let at = |name: &str| table[0].iter().position(|head| head == name).unwrap();
    let row = table.iter().find(|row| row[0] == quantity && row[at("unit")] == unit).unwrap();
    row[at(column)].parse().unwrap_or_else(|_| panic!("{quantity}: {row:?}"))
}

/// Half of the last place that is printed.
const PRINTED: f64 = 0.005 + 1e-9;

/// The stored numbers are those of the judgement as `--json` gives it, to the last place printed; and the sentence of the
/// window is the first thing said.
#[test]
fn the_numbers_are_those_that_are_stored() {
    let (judgement, document) = reported(&stored());
    let json = serde_json::to_value(&judgement).unwrap();
    let numbers = tables(&document).find(|table| table.name == "numbers").unwrap();
    let read = fields(&csv(numbers));
    for (quantity, unit, place) in [
        ("highest clean level", "dB SPL", "/highest_clean/level_spl/told"),
        ("highest clean drive", "dBFS", "/highest_clean/drive/told"),
        ("clipping threshold, positive peak", "dB re full scale", "/threshold/positive/told"),
        ("clipping threshold, negative peak", "dB re full scale", "/threshold/negative/told"),
        ("clipping threshold as pink noise", "dBFS", "/threshold/pink_drive"),
        ("headroom", "dB", "/headroom/headroom_db/told"),
        ("peak headroom", "dB", "/headroom/peak_room_db/told"),
        ("drive for listening level", "dBFS", "/drive_needed/listening/drive"),
        ("drive for listening level and wanted headroom", "dBFS", "/drive_needed/wanted/drive"),
    ] {
        let stored = json.pointer(place).unwrap_or_else(|| panic!("no {place}"));
        for (column, key) in [("value", "/value"), ("value low", "/interval/low"), ("value high", "/interval/high")] {
            let (read, stored) = (field(&read, quantity, unit, column), stored.pointer(key).unwrap().as_f64().unwrap());
            assert!((read - stored).abs() <= PRINTED, "{quantity}, {column}: {read} for {stored}");
        }
    }
    assert_eq!(document.answer, judgement.sentence);
    assert!(markdown(&document).lines().nth(2).unwrap().starts_with("**Console phones socket"));
    let page = html(&document);
    assert!(page.find(&judgement.sentence.replace('\'', "&#39;")).unwrap() < page.find("<main>").unwrap());
}

/// Each number of each table stands in the page, in Markdown and in CSV with the same digits.
#[test]
fn every_writer_prints_the_same_digits() {
    let (_, document) = reported(&stored());
    let (page, text) = (html(&document), markdown(&document));
    let stated = |table: &Table| -> Vec<(String, String)> {
        let figures = table.rows.iter().flatten().filter_map(|cell| match cell {
            Cell::Figure(f) if !matches!(f.reading, Reading::NotDetermined(_)) => Some(f),
            _ => None,
        });
        figures.map(|f| (f.words(), f.plain()[0].clone().unwrap())).collect()
    };
    let mut count = 0;
    for table in tables(&document).filter(|table| document.data.iter().all(|data| data.name != table.name)) {
        let written = csv(table);
        for (words, plain) in stated(table) {
            count += 1;
            assert!(page.contains(&words) && text.contains(&words), "{words}");
            assert!(words.replace('−', "-").contains(&plain) && written.contains(&plain), "{words} {plain}");
        }
    }
    assert!(count > 50, "{count}");
}

#[test]
fn the_page_stands_by_itself_and_every_part_of_it_is_named() {
    let (_, document) = reported(&stored());
    let page = html(&document);
    well_formed(&page, &VOIDS);
    assert!(!page.contains("http://") && !page.contains("https://") && !page.contains("@import"));
    assert!(page.match_indices("url(").all(|(at, _)| page[at..].starts_with("url(#")));
    let all = tags(&page);
    let value = |attributes: &str, key: &str| -> Option<String> {
        let from = attributes.find(&format!("{key}=\""))? + key.len() + 2;
        Some(attributes[from..].split('"').next().unwrap().to_string())
    };
    let ids: Vec<String> = all.iter().filter_map(|(_, a)| value(&format!(" {a}"), " id")).collect();
    let known: BTreeSet<&String> = ids.iter().collect();
    assert_eq!(known.len(), ids.len(), "an id stands twice");
    for (tag, attributes) in &all {
        let named = value(attributes, "aria-labelledby").unwrap_or_default();
        assert!(named.split_whitespace().all(|id| known.contains(&id.to_string())), "{tag} {attributes}");
        match tag.as_str() {
            "svg" | "section" => assert!(!named.is_empty(), "{attributes}"),
            "th" => assert!(attributes.contains("scope="), "{attributes}"),
            "a" => assert!(known.contains(&value(attributes, "href").unwrap()[1..].to_string())),
            _ => {}
        }
    }
    assert!(all.iter().any(|(tag, a)| tag == "html" && a.contains("lang=")));
    assert_eq!(all.iter().filter(|(tag, _)| tag == "h1").count(), 1);
}

#[test]
fn nothing_is_overwritten_and_nothing_half_is_left() {
    let (_, document) = reported(&stored());
    let parent = tempfile::tempdir().unwrap();
    let folder = parent.path().join("report");
    let written = write(&document, &folder).unwrap();
    assert!(folder.join("report.html").exists() && folder.join("tables/steps.csv").exists());
    assert!(written.files > 40 && written.bytes > 100_000, "{written:?}");
    assert!(matches!(write(&document, &folder), Err(ReportError::Exists(path)) if path == folder));
    assert_eq!(free_name(parent.path(), "report"), parent.path().join("report-2"));
    let file = parent.path().join("file");
    std::fs::write(&file, "mine").unwrap();
    let refused = write(&document, &file.join("report")).unwrap_err().to_string();
    assert!(refused.contains("file") && refused.contains("cannot write"), "{refused}");
    let left: Vec<_> = std::fs::read_dir(parent.path()).unwrap().map(|entry| entry.unwrap().file_name()).collect();
    assert_eq!(left.len(), 2, "{left:?}");
}

#[test]
fn the_authors_own_words_are_paragraphs() {
    let record = stored();
    let text = "First line\nsame paragraph.\r\n\r\n\r\nSecond <b>one</b>.\n";
    let document = session::document(&record, &judge(&record), &added(Some(text)));
    let page = html(&document);
    assert!(page.contains("<p>First line\nsame paragraph.</p>\n<p>Second &lt;b&gt;one&lt;/b&gt;.</p>"), "{page}");
}

/// One headphone, two outputs, made from the stored session: the better one comes first, and both figures are stored ones.
#[test]
fn several_sessions_stand_side_by_side() {
    let mut other = stored();
    other.head.chain.output = "=other|output<".into();
    other.head.id = "other".into();
    let records = [stored(), other];
    let stock = Stock { sessions: records.iter().filter_map(learn).collect(), ..Stock::default() };
    let about = About::of(&stock);
    assert_eq!(about, About::Headphone(records[0].head.chain.headphone.clone()));
    let listener = Listener {
        level: records[0].head.plan.listening,
        level_from: Default::default(),
        half_width_db: 0.0,
        rule: records[0].head.plan.rule,
    };
    let document = loudenough::account::stock::document(&stock, &listener, &about, &added(None));
    let pairings = fields(&csv(tables(&document).find(|table| table.name == "pairings").unwrap()));
    assert_eq!(pairings.len(), 3, "{pairings:?}");
    let judged = judge(&records[0]);
    let level = judged.highest_clean.level_spl.determined().unwrap().value;
    let at = pairings[0].iter().position(|head| head == "highest clean level, dB SPL").unwrap();
    let read: f64 = pairings[1][at].parse().unwrap();
    assert!((read - level).abs() <= 0.05 + 1e-9, "{read} for {level}");
    assert!(document.answer.contains("All of them were measured"), "{}", document.answer);
    let page = html(&document);
    well_formed(&page, &VOIDS);
    assert!(page.contains("=other|output&lt;") && pictures(&document).count() == 1);
    assert!(pairings.iter().skip(1).any(|row| row[0].starts_with("'=other|output<")), "{pairings:?}");
}

/// The program writes one where it is told to, says where it lies, and names what is in its way.
#[test]
fn the_command_says_what_lies_where_and_names_what_is_in_its_way() {
    let folder = tempfile::tempdir().unwrap();
    let session = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/session-v1");
    let (session, to) = (session.to_str().unwrap(), folder.path().join("out"));
    let run = |arguments: &[&str]| {
        let output = std::process::Command::new(env!("CARGO_BIN_EXE_loudenough"))
            .args(arguments)
            .env("LOUDENOUGH_HOME", folder.path())
            .current_dir(folder.path())
            .output()
            .unwrap();
        let said = format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
        assert!(!said.contains("panicked"), "{said}");
        (matches!(output.status.code(), Some(0 | 4 | 5)), said)
    };
    let (done, said) = run(&["report", session, "--to", to.to_str().unwrap()]);
    assert!(done && said.contains(to.to_str().unwrap()) && to.join("report.html").exists(), "{said}");
    let (done, said) = run(&["report", session, "--to", to.to_str().unwrap()]);
    assert!(!done && said.contains("left as it is") && said.contains("out"), "{said}");
    let (done, said) = run(&["report", session, "--text", "missing.txt"]);
    assert!(!done && said.contains("missing.txt"), "{said}");
    let (done, said) = run(&["report", "nowhere"]);
    assert!(!done && said.contains("nowhere"), "{said}");
    let (done, said) = run(&["report", session, session]);
    assert!(done && folder.path().join("report/report.html").exists(), "{said}");
    let (done, said) = run(&["report"]);
    assert!(done && folder.path().join("report-2/report.html").exists(), "{said}");
}

/// The same session twice: no band differs, and the page says so first.
#[test]
fn two_outputs_side_by_side_are_reported_with_every_band() {
    let (record, mut other) = (stored(), stored());
    other.head.id = "other".into();
    let comparison = compare(&record, &other, &Ask { same_seat: true, ..Ask::default() }).unwrap();
    let document = {
        let both = SideBySide::of(record, other, comparison.clone());
        loudenough::account::comparison::document(&both, &added(None))
    };
    let table = fields(&csv(tables(&document).find(|table| table.name == "response-difference").unwrap()));
    assert_eq!(table.len(), comparison.bands.len() + 1);
    let page = html(&document);
    well_formed(&page, &VOIDS);
    assert!(page.contains("no difference of response larger than 0.02 dB from 20 Hz to 20 kHz"), "{}", document.answer);
    let captions: Vec<&str> =
        page.split("<caption ").skip(1).filter_map(|rest| rest.split("</caption>").next()).collect();
    let names: BTreeSet<&str> = captions.iter().filter_map(|caption| Some(caption.split_once('>')?.1)).collect();
    assert_eq!(names.len(), captions.len(), "two tables have one name");
    assert_eq!(pictures(&document).count(), 2);
}

const SIMULATED: &str = "Simulated: every device here is invented, and no sound was played.";

/// The same as if it had been made on the simulated bench.
fn on_the_simulated_bench() -> Record {
    let mut record = stored();
    record.head.playback.simulates = Some("invented".into());
    record
}

/// A picture that is passed on alone says that it was simulated, when and on which coupler it was measured, what its bars are and
/// which program measured it; one that was not simulated does not say so.
#[test]
fn what_was_simulated_says_so_in_the_page_and_in_every_picture_alone() {
    let drawn = |document: &Document, labels| -> Vec<String> {
        let look = Look::Alone { palette: &loudenough::palette::LIGHT, labels };
        let frames = [Frame::WIDE, Frame::TALL];
        pictures(document).flat_map(|picture| frames.map(|frame| svg(picture, frame, look))).collect()
    };
    // Lines of text as they are drawn, joined as they were broken.
    let said = |svg: &String| -> String {
        let lines = svg.split("<text ").skip(1).filter_map(|text| text.split_once('>')?.1.split("</text>").next());
        lines.collect::<Vec<_>>().join(" ")
    };
    let invented = reported(&on_the_simulated_bench()).1;
    let (page, text) = (html(&invented), markdown(&invented));
    assert!(page.find(SIMULATED).unwrap() < page.find("<h1>").unwrap(), "over the title");
    assert!(page.contains("<title>Simulated – ") && text.contains(SIMULATED));
    assert!(drawn(&invented, true).len() >= 8);
    for svg in drawn(&invented, true) {
        let words = said(&svg);
        assert!(words.starts_with("Simulated – "), "{words}");
        assert!(svg.contains("-title\">Simulated – "), "for those who do not see it");
        for origin in ["Measured 25 November 2026, 16:51 by loudenough 0.", "ccluded-ear simulator", "at the eardrum."]
        {
            assert!(words.contains(origin) && svg.contains(origin), "{origin} in {words}");
        }
        let bars = svg.split("<g clip-path").count() > 1 && words.contains("Bars are 95 % intervals.");
        assert!(bars || !words.contains("highest clean level"), "{words}");
    }
    for svg in drawn(&invented, false) {
        assert!(said(&svg).starts_with("Simulated ") && !said(&svg).contains("eardrum."), "{}", said(&svg));
    }
    let real = reported(&stored()).1;
    assert!(!html(&real).contains(SIMULATED) && !markdown(&real).contains(SIMULATED));
    assert!(drawn(&real, true).iter().chain(&drawn(&real, false)).all(|svg| !said(svg).contains("Simulated –")));
}

#[test]
fn a_stock_of_which_a_part_is_simulated_says_so() {
    let records = [stored(), on_the_simulated_bench()];
    let document = |records: &[Record]| {
        let stock = Stock { sessions: records.iter().filter_map(learn).collect(), ..Stock::default() };
        let listener = Listener {
            level: records[0].head.plan.listening,
            level_from: Default::default(),
            half_width_db: 0.0,
            rule: records[0].head.plan.rule,
        };
        html(&loudenough::account::stock::document(&stock, &listener, &About::of(&stock), &added(None)))
    };
    assert!(document(&records).contains("Partly simulated: some of the sessions"));
    assert!(document(&records[1..]).contains(SIMULATED) && !document(&records[..1]).contains("imulated: "));
}

/// Without volume position, input gain and wiring nobody can measure it again: what was not stated says so.
#[test]
fn how_it_was_measured_names_volume_position_input_gain_and_wiring() {
    let rows = |record: &Record| {
        let (_, document) = reported(record);
        fields(&csv(tables(&document).find(|table| table.name == "measured").unwrap()))
    };
    let how = |rows: &[Vec<String>], what: &str| rows.iter().find(|row| row[0] == what).map(|row| row[1].clone());
    let mut record = stored();
    let plain = rows(&record);
    assert_eq!(how(&plain, "output, volume position").as_deref(), Some("simulated"));
    assert_eq!(how(&plain, "output, wiring").as_deref(), Some("not stated"));
    assert_eq!(how(&plain, "input gain").as_deref(), Some("not stated"));
    record.head.chain.gain = "+10 dB".into();
    record.head.chain.output_side.wiring = Some(loudenough::session::chain::Wiring::Balanced);
    let typed = rows(&record);
    assert_eq!(how(&typed, "output, wiring").as_deref(), Some("balanced"));
    // What a spreadsheet would run stays text.
    assert_eq!(how(&typed, "input gain").as_deref(), Some("'+10 dB"));
}

#[test]
fn times_in_a_report_are_written_as_people_write_them() {
    let (_, document) = reported(&stored());
    assert!(document.written.starts_with("Measured 25 November 2026, 16:51, session "), "{}", document.written);
    assert!(document.written.contains("Written 1 March 2026, 10:00 by loudenough"), "{}", document.written);
    let page = html(&document);
    assert!(!page.contains("+00:00") && !page.contains("+01:00"), "no time as files have it");
}

/// WCAG 2.2, success criterion 1.4.3 (text, 4.5:1), by its own formula of relative luminance, from the colours that the page itself
/// sets: each rule that colours text, on each ground that it can stand on, light and dark.
#[test]
fn every_text_of_the_page_contrasts_with_its_ground() {
    let page = html(&reported(&on_the_simulated_bench()).1);
    let style = page.split("<style>").nth(1).unwrap().split("</style>").next().unwrap();
    let luminance = |hex: &str| {
        let part = |i: usize| {
            let v = f64::from(u8::from_str_radix(&hex[i..i + 2], 16).unwrap()) / 255.0;
            if v <= 0.04045 { v / 12.92 } else { ((v + 0.055) / 1.055).powf(2.4) }
        };
        0.2126 * part(1) + 0.7152 * part(3) + 0.0722 * part(5)
    };
    let contrast = |a: &str, b: &str| {
        let (a, b) = (luminance(a), luminance(b));
        (f64::max(a, b) + 0.05) / (f64::min(a, b) + 0.05)
    };
    assert!((contrast("#000000", "#ffffff") - 21.0).abs() < 1e-9, "the formula itself");
    let schemes: Vec<&str> = style.split(":root{").skip(1).map(|rest| rest.split('}').next().unwrap()).collect();
    assert_eq!(schemes.len(), 2, "light and dark");
    // Rules of one selector each, of the screen and of paper alike.
    let rules: Vec<(&str, &str)> = style.split('}').filter_map(|rule| rule.rsplit_once('{')).collect();
    let variable = |body: &str, property: &str| -> Option<String> {
        let value = body.split(';').find_map(|part| part.trim().strip_prefix(property))?;
        Some(value.split_once("var(--")?.1.split(')').next()?.to_string())
    };
    let mut pairs = 0;
    for scheme in schemes {
        let colour = |name: &str| -> String {
            let at = scheme.split(';').find_map(|token| token.strip_prefix(&format!("--{name}:")));
            at.unwrap_or_else(|| panic!("no {name} in {scheme}")).to_string()
        };
        for (selector, body) in &rules {
            // Letters of pictures are filled.
            let drawn = ["p-text", "p-soft"].iter().any(|class| selector.ends_with(class));
            let text = variable(body, "color:").or_else(|| variable(body, "fill:").filter(|_| drawn));
            let Some(text) = text else { continue };
            let own = variable(body, "background:");
            for ground in own.map_or(vec!["ground".to_string(), "panel".into()], |own| vec![own]) {
                let ratio = contrast(&colour(&text), &colour(&ground));
                pairs += 1;
                assert!(ratio >= 4.5, "{selector}: {text} on {ground} is {ratio:.2}:1");
            }
        }
    }
    assert!(pairs >= 20, "{pairs} pairs were found");
}
