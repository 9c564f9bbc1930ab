//! `pages`: manual pages and shell completions, from the same definition that reads the command line.

use super::{Environment, args};
use anyhow::{Context, Result};
use clap_complete::{Shell, generate_to};
use std::fs::create_dir_all;
use std::path::Path;

/// What the help of every argument says that takes a session.
const SESSION: &str = "by name, `last` or path";

/// Where each shell looks below a `share` folder.
const SHELLS: [(Shell, &str); 3] = [
    (Shell::Bash, "bash-completion/completions"),
    (Shell::Zsh, "zsh/vendor-completions"),
    (Shell::Fish, "fish/vendor_completions.d"),
];

/// What a shell's script needs beside the definition to complete names of sessions: they are asked for (`session-names`) while
/// somebody types.
fn with_sessions(shell: Shell, script: &str) -> String {
    match shell {
        Shell::Bash => format!("{script}{}", include_str!("pages/sessions.bash")),
        Shell::Fish => format!("{script}{}", include_str!("pages/sessions.fish")),
        Shell::Zsh => {
            let line = |line: &str| match line.contains(SESSION) {
                true => line.replace(":_files'", ":_loudenough_sessions'"),
                false => line.to_string(),
            };
            let (head, rest) = script.split_once('\n').unwrap_or((script, ""));
            let rest = rest.lines().map(line).collect::<Vec<_>>().join("\n");
            format!("{head}\n{}{rest}\n", include_str!("pages/sessions.zsh"))
        }
        _ => script.into(),
    }
}

pub(super) fn write(share: &Path, env: &mut Environment) -> Result<()> {
    let made = |folder: &str| {
        let folder = share.join(folder);
        create_dir_all(&folder).with_context(|| format!("cannot make {}", folder.display())).map(|()| folder)
    };
    let man = made("man/man1")?;
    clap_mangen::generate_to(args::command(), &man).with_context(|| format!("cannot write {}", man.display()))?;
    for (shell, folder) in SHELLS {
        let folder = made(folder)?;
        let written = generate_to(shell, &mut args::command(), "loudenough", &folder)
            .with_context(|| format!("cannot write {}", folder.display()))?;
        let script = std::fs::read_to_string(&written)?;
        std::fs::write(&written, with_sessions(shell, &script))
            .with_context(|| format!("cannot write {}", written.display()))?;
        if shell == Shell::Bash {
            // Loaded by the command's own name.
            std::fs::rename(&written, written.with_file_name("loudenough"))?;
        }
    }
    writeln!(env.out, "Manual pages and completions are written below {}.", share.display())?;
    Ok(())
}
