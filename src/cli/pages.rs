//! `pages`: manual pages and shell completions, from the same definition that reads the command line.

use super::{Environment, args};
use anyhow::{Context, Result};
use clap_complete::{Shell, generate_to};
use std::fs::create_dir_all;
use std::path::Path;

/// Where each shell looks below a `share` folder.
const SHELLS: [(Shell, &str); 3] = [
    (Shell::Bash, "bash-completion/completions"),
    (Shell::Zsh, "zsh/vendor-completions"),
    (Shell::Fish, "fish/vendor_completions.d"),
];

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
        if shell == Shell::Bash {
            // Loaded by the command's own name.
            std::fs::rename(&written, written.with_file_name("loudenough"))?;
        }
    }
    writeln!(env.out, "Manual pages and completions are written below {}.", share.display())?;
    Ok(())
}
