//! `loudenough`: see the library's documentation and the README.

use clap::FromArgMatches;
use loudenough::audio::Backend;
use loudenough::audio::simulated::{BenchSpec, Pace, SimulatedBackend, SimulatedCardSpec};
use loudenough::cli::{Arguments, Environment, Exit, Printable, carry_out, command};
use std::io::Write;
use std::process::ExitCode;

fn main() -> ExitCode {
    let arguments = Arguments::from_arg_matches(&command().get_matches()).unwrap_or_else(|error| error.exit());
    let outcome = match arguments.command {
        Some(command) => {
            let mut out = Printable::new(std::io::stdout());
            let backends = backends(Pace::AsFastAsPossible);
            let mut env = Environment { out: &mut out, backends, now, exit: Exit::default() };
            carry_out(command, &mut env).map(|()| env.exit)
        }
        None => window().map(|()| Exit::Answer),
    };
    ExitCode::from(outcome.unwrap_or_else(|error| failed(&error)).code())
}

/// Says what went wrong.
fn failed(error: &anyhow::Error) -> Exit {
    // Nobody left to tell where even standard error is gone.
    let _ = writeln!(Printable::new(std::io::stderr()), "loudenough: {error:#}");
    Exit::of_error(error)
}

/// The simulated bench (invented devices) at this pace, and the real sound cards where the build has them.
fn backends(pace: Pace) -> Vec<Box<dyn Backend>> {
    let desk = BenchSpec::named("console phones socket", "closed 80 Ω").unwrap_or_default();
    vec![
        Box::new(SimulatedBackend::new(desk, SimulatedCardSpec::default(), pace)),
        #[cfg(feature = "sound-card")]
        Box::new(loudenough::audio::backend::cpal::CpalBackend),
    ]
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
    use loudenough::gui::{BenchLink, StartState, open_window};
    use std::sync::Arc;
    use std::sync::atomic::{AtomicBool, Ordering};

    let start = StartState::as_last_used();
    // Dropped after the window is closed: that fades out, ends the bench and waits for it.
    let bench = loudenough::session::runner::Bench::spawn(backends(Pace::WallClock), now);
    let leave = Arc::new(AtomicBool::new(false));
    let (stop, asked) = (bench.stop.clone(), leave.clone());
    ctrlc::set_handler(move || {
        stop.now();
        asked.store(true, Ordering::Relaxed);
    })?;
    open_window(BenchLink::to(&bench, now, move || leave.load(Ordering::Relaxed)), start)?;
    Ok(())
}
