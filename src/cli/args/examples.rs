//! What a command looks like as typed: shown under its help, and parsed by a test.

use super::Arguments;
use crate::cli::settings::HELP;
use clap::{Command, CommandFactory};

/// Words of a command, and examples of it without the program's name.
pub type Examples = (&'static [&'static str], &'static [&'static str]);

/// Every command with its examples.
pub const EXAMPLES: &[Examples] = &[
    (
        &["rehearse"],
        &["rehearse", "rehearse --output \"field recorder\" --headphone \"open 300 Ω\" --details", "rehearse --all"],
    ),
    (&["cards"], &["cards", "cards --json"]),
    (&["chain", "list"], &["chain list"]),
    (&["chain", "show"], &["chain show", "chain show bench-one --json"]),
    (
        &["chain", "new"],
        &[
            "chain new bench-one --playback DAC --capture ADC --left-ear 1 --coupler iec60318-4",
            "chain new with-curve --chain bench-one --curve microphone.txt --column gain --curve-half-width 0.3",
            "chain new known --chain bench-one --volts 2,0.02 --source-impedance 10,0.5 --load-impedance 80,8",
        ],
    ),
    (&["chain", "check"], &["chain check", "chain check --chain bench-one --left-ear 1 --right-ear 2"]),
    (
        &["calibrate", "level"],
        &[
            "calibrate level --playback DAC --capture ADC --left-ear 1 --coupler iec60318-4 --calibrator 94",
            "calibrate level --calibrator 94 --another-fit",
            "calibrate level --sensitivity 12.5 --input-volts 1",
        ],
    ),
    (&["calibrate", "volts"], &["calibrate volts", "calibrate volts --meter audio --reading 0.0632"]),
    (&["calibrate", "input-volts"], &["calibrate input-volts --witness 3 --divider 10"]),
    (
        &["calibrate", "source"],
        &[
            "calibrate source --witness 3 --loopback 4 --resistor 33",
            "calibrate source --resistor 33 --readings 2.0,1.5",
        ],
    ),
    (&["calibrate", "load"], &["calibrate load --witness 3 --source-side 4 --series 100 --check 33,1"]),
    (&["calibrate", "check"], &["calibrate check first"]),
    (
        &["run"],
        &[
            "run --output \"desk amplifier\" --volume \"knob at 12\" --headphone \"closed 80 Ω\" --listening 70 --quick",
            "run --output \"desk amplifier\" --headphone \"closed 80 Ω\" --listening 75 --weighting A --field diffuse --seats 5",
            "run --series --output \"desk amplifier\" --listening 70",
            "run --continue first",
        ],
    ),
    (&["hold"], &["hold first", "hold first --taper", "hold second --match first"]),
    (
        &["listen"],
        &[
            "listen first --ear open",
            "listen first --ear covered",
            "listen --plan phone.json --output telephone --headphone \"closed 80 Ω\" --listening 70",
        ],
    ),
    (
        &["plan"],
        &[
            "plan --out phone.wav",
            "plan --out louder.wav --rate 44100 --bits 16 --ceiling-drive -12.5 --confirm-ceiling -12.5 --step 1.5",
        ],
    ),
    (&["ingest"], &["ingest recording.wav --plan phone.json --offset 121.4 --left-ear 1 --listening 70"]),
    (
        &["swap"],
        &["swap \"laptop jack\" \"desk amplifier\"", "swap \"laptop jack\" \"desk amplifier\" --at 75 --rounds 5"],
    ),
    (
        &["stimulus"],
        &["stimulus sweep --out sweep.wav", "stimulus --sine 1000 --level -12 --periods 10 --out tone.wav"],
    ),
    (
        &["judge"],
        &["judge first --details", "judge first --listening 80", "judge first second --music first-movement.flac"],
    ),
    (&["compare"], &["compare first second", "compare first second --at 75 --same-seat --report side-by-side"]),
    (&["stock"], &["stock --listening 70", "stock map \"desk amplifier\""]),
    (&["stock", "map"], &["stock map \"desk amplifier\" --listening 75"]),
    (&["stock", "output"], &["stock output \"desk amplifier\""]),
    (&["stock", "headphone"], &["stock headphone \"closed 80 Ω\" --source-ohm 120"]),
    (&["stock", "listener"], &["stock listener --listening 70", "stock listener --forget"]),
    (
        &["stock", "keep-output"],
        &[
            "stock keep-output \"pocket player\" --volts \"1 Vrms\" --source-ohm \"< 1 Ω\" --power \"30 mW @ 32 Ω\" --source \"data sheet\"",
        ],
    ),
    (
        &["stock", "keep-headphone"],
        &["stock keep-headphone \"closed 250 Ω\" --sensitivity \"96 dB/mW\" --ohm \"250 Ω\" --source \"data sheet\""],
    ),
    (&["notebook"], &["notebook", "notebook desk --sort headroom", "notebook --json"]),
    (&["notebook", "note"], &["notebook note last \"new ear pads\""]),
    (&["notebook", "rename"], &["notebook rename last --output \"desk amplifier\" --spelling"]),
    (&["notebook", "set-aside"], &["notebook set-aside last \"the plug was loose\""]),
    (&["notebook", "take-back"], &["notebook take-back first"]),
    (&["notebook", "undo"], &["notebook undo last"]),
    (&["notebook", "trend"], &["notebook trend last"]),
    (&["report"], &["report first", "report first second --to both", "report --of-output \"desk amplifier\""]),
    (&["guide"], &["guide", "guide desk"]),
    (&["reanalyse"], &["reanalyse first", "reanalyse first --write"]),
];

/// The command line with its examples.
pub fn command() -> Command {
    EXAMPLES.iter().fold(Arguments::command().after_help(HELP), |whole, (path, examples)| shown(whole, path, examples))
}

/// Puts the examples under the help of the command of this path.
fn shown(command: Command, path: &[&str], examples: &[&str]) -> Command {
    let Some((first, rest)) = path.split_first() else {
        let lines: String = examples.iter().map(|example| format!("  loudenough {example}\n")).collect();
        return command.after_help(format!("Examples:\n{}", lines.trim_end()));
    };
    let first = (*first).to_string();
    command.mut_subcommand(first, |sub| shown(sub, rest, examples))
}
