//! README and guide: every block of commands runs as it stands, or is at least understood by the program.
//!
//! A fence says what its block is: `sh` runs, on the simulated bench and in a home of its own, one home a page;
//! `sh cards` needs real cards, other files or a person, and is parsed; `sh setup` needs more of the machine than a test may
//! take, and what it asks of this program or of its folder is looked up. `text` right after a run is what that run prints.

use loudenough::account::guide::TOPICS;
use loudenough::cli::{EXAMPLES, command};
use std::path::Path;
use std::process::Command;

/// One block of a page: what its fence says, its text, and the line it begins on.
struct Block {
    kind: String,
    text: String,
    line: usize,
}

fn blocks(page: &str) -> Vec<Block> {
    let mut all: Vec<Block> = Vec::new();
    let mut open = false;
    for (line, words) in (1..).zip(page.lines()) {
        match words.strip_prefix("```") {
            Some(kind) if !open => {
                all.push(Block { kind: kind.trim().into(), text: String::new(), line });
                open = true;
            }
            Some(_) => open = false,
            None if open => all.last_mut().unwrap().text += &format!("{words}\n"),
            None => {}
        }
    }
    assert!(!open, "a fence is not closed");
    all
}

/// The words of a line as a shell reads them: quotes hold words together.
fn words(line: &str) -> Vec<String> {
    let (mut all, mut word, mut quote, mut begun) = (Vec::new(), String::new(), None, false);
    for c in line.chars() {
        match (quote, c) {
            (Some(q), c) if c == q => quote = None,
            (None, '"' | '\'') => (quote, begun) = (Some(c), true),
            (None, ' ') if begun => {
                all.push(std::mem::take(&mut word));
                begun = false;
            }
            (None, ' ') => {}
            (_, c) => {
                word.push(c);
                begun = true;
            }
        }
    }
    assert!(quote.is_none(), "an open quote: {line}");
    all.extend(begun.then_some(word));
    all
}

/// The commands of this program in a block, up to what a shell does with their output.
fn commands(text: &str) -> Vec<String> {
    let end = |line: &str| [" > ", " || ", " | "].iter().filter_map(|mark| line.find(mark)).min().unwrap_or(line.len());
    text.lines().filter(|line| line.starts_with("loudenough")).map(|line| line[..end(line)].into()).collect()
}

fn understood(line: &str, at: &str) {
    let parsed = command().try_get_matches_from(words(line));
    if let Err(error) = parsed {
        let shown =
            matches!(error.kind(), clap::error::ErrorKind::DisplayVersion | clap::error::ErrorKind::DisplayHelp);
        assert!(shown, "{at}: `{line}` is not understood: {error}");
    }
}

/// Runs a page from top to bottom; what each block printed must be what the page shows.
fn run(name: &str, page: &str) {
    let home = tempfile::tempdir().unwrap();
    let program = Path::new(env!("CARGO_BIN_EXE_loudenough"));
    let path = std::env::join_paths(
        std::iter::once(program.parent().unwrap().to_path_buf())
            .chain(std::env::split_paths(&std::env::var_os("PATH").unwrap())),
    )
    .unwrap();
    let mut printed = String::new();
    for block in blocks(page) {
        let at = format!("{name}, line {}", block.line);
        for line in commands(&block.text) {
            understood(&line, &at);
        }
        match block.kind.as_str() {
            "sh" => {
                let script = block.text.lines().map(built).collect::<Vec<_>>().join("\n");
                let output = Command::new("sh")
                    .args(["-euc", &script])
                    .current_dir(home.path())
                    .env("LOUDENOUGH_HOME", home.path())
                    .env("PATH", &path)
                    .stdin(std::process::Stdio::null())
                    .output()
                    .unwrap();
                printed = String::from_utf8_lossy(&output.stdout).into_owned();
                let said = format!("{printed}{}", String::from_utf8_lossy(&output.stderr));
                assert!(output.status.success(), "{at}: {}\n{}\n{said}", output.status, block.text);
            }
            "text" if !printed.is_empty() && name == "README.md" => shows(&block.text, &printed, &at),
            "sh setup" => set_up(&block.text, &at),
            "sh cards" => assert!(!commands(&block.text).is_empty(), "{at}: nothing to parse"),
            "text" | "python" => {}
            other => panic!("{at}: a fence says `{other}`, which this test does not know"),
        }
    }
}

/// `cargo run … -- rehearse` is the built program here.
fn built(line: &str) -> String {
    match line.split_once(" -- ") {
        Some((cargo, rest)) if cargo.starts_with("cargo run") => {
            features_are_there(cargo);
            format!("loudenough {rest}")
        }
        _ => line.into(),
    }
}

/// Every feature that a line of cargo names stands in the manifest.
fn features_are_there(line: &str) {
    let manifest = include_str!("../../Cargo.toml");
    let named = words(line).into_iter().skip_while(|word| word != "--features").nth(1);
    for feature in named.iter().flat_map(|list| list.split(',')) {
        assert!(manifest.contains(&format!("\n{feature} = [")), "`{line}` names a feature `{feature}` that is none");
    }
}

/// Files that a line runs are there.
fn set_up(text: &str, at: &str) {
    for line in text.lines() {
        features_are_there(line);
        let words = words(line);
        for script in words.windows(2).filter(|pair| pair[0] == "sh").map(|pair| &pair[1]) {
            let file = Path::new(env!("CARGO_MANIFEST_DIR")).join(script);
            assert!(file.exists(), "{at}: {script} is not there");
        }
    }
}

/// The page shows what was printed, line by line; `…` stands for lines, or the rest of a line, that differ from run to run.
fn shows(page: &str, printed: &str, at: &str) {
    let mut printed = printed.lines();
    let mut skips = false;
    for line in page.lines().map(str::trim_end) {
        if line == "…" {
            skips = true;
            continue;
        }
        let same = |shown: &str| match line.strip_suffix('…') {
            Some(beginning) => shown.starts_with(beginning),
            None => shown.trim_end() == line,
        };
        let found = if skips { printed.any(same) } else { printed.next().is_some_and(same) };
        assert!(found, "{at}: this line was not printed there: {line}");
        skips = false;
    }
}

#[test]
fn the_readme_runs_as_it_stands_and_shows_what_is_printed() {
    let readme = include_str!("../../README.md");
    let count = readme.split_whitespace().count();
    assert!(count < 600, "the README has {count} words; move the rest to the guide");
    run("README.md", readme);
}

#[test]
fn every_page_of_the_guide_runs_as_it_stands() {
    std::thread::scope(|scope| {
        for topic in TOPICS {
            scope.spawn(|| run(&format!("guide/{}.md", topic.name), topic.text));
        }
    });
}

/// Nothing in the folder is left out of the program, and each link of README and guide leads somewhere.
#[test]
fn the_guide_is_whole_and_its_links_lead_somewhere() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut files: Vec<String> = std::fs::read_dir(root.join("assets/guide"))
        .unwrap()
        .filter_map(|entry| entry.unwrap().file_name().to_string_lossy().strip_suffix(".md").map(str::to_string))
        .collect();
    let mut topics: Vec<String> = TOPICS.iter().map(|topic| topic.name.to_string()).collect();
    files.sort();
    topics.sort();
    assert_eq!(files, topics);
    let readme = include_str!("../../README.md");
    for link in readme.split("](").skip(1).map(|rest| rest.split(')').next().unwrap()) {
        assert!(link.contains("://") || root.join(link).exists(), "README links to {link}");
    }
    for (name, page) in TOPICS.iter().map(|topic| (topic.name, topic.text)).chain([("README", readme)]) {
        for asked in page.split("`loudenough guide ").skip(1).map(|rest| rest.split('`').next().unwrap()) {
            let known = TOPICS.iter().any(|topic| topic.name == asked) || asked == "TOPIC";
            assert!(known, "{name} names a topic `{asked}` that is none");
        }
    }
}

/// Every command has examples under its help, and the program understands each of them.
#[test]
fn every_command_has_examples_that_are_understood() {
    fn leaves(command: &clap::Command, path: &[String], all: &mut Vec<Vec<String>>) {
        let here = |sub: &clap::Command| [path, &[sub.get_name().to_string()]].concat();
        for sub in command.get_subcommands().filter(|sub| !sub.is_hide_set()) {
            if !sub.has_subcommands() || !sub.is_subcommand_required_set() {
                all.push(here(sub));
            }
            leaves(sub, &here(sub), all);
        }
    }
    let mut all = Vec::new();
    leaves(&command(), &[], &mut all);
    for path in all.iter().filter(|path| path[0] != "help") {
        let examples = EXAMPLES.iter().find(|(of, _)| of.iter().eq(path.iter()));
        let (of, examples) = examples.unwrap_or_else(|| panic!("`{}` has no example", path.join(" ")));
        for example in *examples {
            assert!(example.starts_with(&of.join(" ")), "{example} is no example of {}", of.join(" "));
            understood(&format!("loudenough {example}"), "examples");
        }
    }
    assert!(EXAMPLES.len() == all.iter().filter(|path| path[0] != "help").count(), "an example of no command");
    let mut shown = command();
    let help = shown.find_subcommand_mut("judge").unwrap().render_long_help().to_string();
    assert!(help.contains("Examples:") && help.contains("loudenough judge first"), "{help}");
}
