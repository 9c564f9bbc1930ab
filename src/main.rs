//! `loudenough`: see the library's documentation and the README.

use anyhow::Context;
use clap::FromArgMatches;
use loudenough::audio::Backend;
use loudenough::audio::simulated::{BenchSpec, Pace, SimulatedBackend, SimulatedCardSpec};
use loudenough::cli::{Arguments, Environment, Exit, Log, Printable, carry_out, command, settings};
use std::io::Write;
use std::process::ExitCode;

fn main() -> ExitCode {
    let arguments = Arguments::from_arg_matches(&command().get_matches()).unwrap_or_else(|error| error.exit());
    let log = match begun(&arguments) {
        Ok(log) => log,
        Err(error) => return ExitCode::from(failed(&error).code()),
    };
    let outcome = match arguments.command {
        Some(command) => {
            let mut out = Printable::new(std::io::stdout());
            let backends = backends(Pace::AsFastAsPossible);
            let (settings, log) = (settings(), log.clone());
            let mut env = Environment { out: &mut out, backends, now, settings, log, exit: Exit::default() };
            carry_out(command, &mut env).map(|()| env.exit)
        }
        None => window(&log).map(|()| Exit::Answer),
    };
    let exit = outcome.unwrap_or_else(|error| {
        log.line(&format!("failed: {error:#}"));
        failed(&error)
    });
    log.line(&format!("ends with exit code {}", exit.code()));
    ExitCode::from(exit.code())
}

/// The log that was asked for. What panics is in it as well.
fn begun(arguments: &Arguments) -> anyhow::Result<Log> {
    let typed: Vec<String> = std::env::args().skip(1).collect();
    let log = Log::begin(arguments.verbose, arguments.log.as_deref(), &typed)
        .with_context(|| format!("cannot begin the log {}", arguments.log.clone().unwrap_or_default().display()))?;
    let (of_panics, usual) = (log.clone(), std::panic::take_hook());
    std::panic::set_hook(Box::new(move |panic| {
        of_panics.line(&format!("panicked: {panic}"));
        usual(panic);
    }));
    Ok(log)
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
fn window(_: &Log) -> anyhow::Result<()> {
    anyhow::bail!("this build has no window; `loudenough --help` lists the commands")
}

/// What the user says once lies over what the window remembers; a file that is not understood is said at its top.
#[cfg(feature = "gui")]
fn with_settings(mut start: loudenough::gui::StartState) -> loudenough::gui::StartState {
    use loudenough::asked::settings::Theme;
    use loudenough::gui::remembered::Ground;
    match settings() {
        Ok(settings) => {
            start.plan = settings.under(start.plan);
            let ground = settings.theme.map(|theme| match theme {
                Theme::System => Ground::System,
                Theme::Dark => Ground::Dark,
                Theme::Light => Ground::Light,
            });
            start.remembered.theme = ground.unwrap_or(start.remembered.theme);
        }
        Err(why) => start.problems.push(why),
    }
    start
}

#[cfg(feature = "gui")]
fn window(log: &Log) -> anyhow::Result<()> {
    use loudenough::gui::{BenchLink, StartState, open_window};
    use std::sync::Arc;
    use std::sync::atomic::{AtomicBool, Ordering};

    let start = with_settings(StartState::as_last_used());
    // Dropped after the window is closed: that fades out, ends the bench and waits for it.
    let bench = log.watched(loudenough::session::runner::Bench::spawn(backends(Pace::WallClock), now));
    let leave = Arc::new(AtomicBool::new(false));
    let (stop, asked) = (bench.stop.clone(), leave.clone());
    ctrlc::set_handler(move || {
        stop.now();
        asked.store(true, Ordering::Relaxed);
    })?;
    open_window(BenchLink::to(&bench, now, move || leave.load(Ordering::Relaxed)), start)?;
    Ok(())
}
