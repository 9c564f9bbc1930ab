//! `loudenough`: see the library's documentation and the README.

use clap::Parser;
use loudenough::audio::Backend;
use loudenough::cli::{Arguments, Surroundings, carry_out};
use std::io::Write;
use std::process::ExitCode;

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let outcome = match arguments.command {
        Some(command) => {
            let mut out = std::io::stdout();
            carry_out(command, &mut Surroundings { out: &mut out, backends: backends(), now })
        }
        None => window(),
    };
    match outcome {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            // Nobody left to tell where even standard error is gone.
            let _ = writeln!(std::io::stderr(), "loudenough: {error:#}");
            ExitCode::FAILURE
        }
    }
}

/// Real sound cards.
fn backends() -> Vec<Box<dyn Backend>> {
    Vec::new()
}

/// The one place that asks for the time of day: RFC 3339 with the local offset.
fn now() -> String {
    jiff::ZonedDateTime::now().strftime("%Y-%m-%dT%H:%M:%S%:z").to_string()
}

#[cfg(not(feature = "gui"))]
fn window() -> anyhow::Result<()> {
    anyhow::bail!("this build has no window; `loudenough --help` lists the commands")
}

#[cfg(feature = "gui")]
fn window() -> anyhow::Result<()> {
    anyhow::bail!("the window is not built yet; `loudenough --help` lists the commands")
}
