//! An output that this computer cannot drive. `plan` writes a session as a sound, `listen --plan` follows it while it is
//! played elsewhere, `ingest` takes it from a recording.

use super::args::{Desk, Ingest, Keep, Listen, Listener, PlanFile};
use super::{Environment, follow, request, run, show};
use crate::account::write::terminal;
use crate::asked::elsewhere::Sound;
use crate::asked::settings::still_from_settings;
use crate::session::audio_file::AudioFile;
use crate::session::chain::Chain;
use crate::session::chain_file;
use crate::session::elsewhere::{
    CAUTIONS, ElsewhereRequest, SoundPlan, plan_path, read_plan, sound_plan, write as write_sound,
};
use crate::session::plan::{Plan, UNCALIBRATED_CEILING};
use crate::session::protocol::Command;
use crate::session::storage;
use crate::units::{Dbfs, SampleRate};
use anyhow::{Result, anyhow};
use std::io::Write;
use std::path::PathBuf;

/// Where no card is named: what recorded it.
const RECORDER: &str = "recorder";

/// Writes the sound and its plan.
pub(super) fn plan(wanted: &PlanFile, env: &mut Environment) -> Result<()> {
    let rate = SampleRate::new(wanted.rate)?;
    let settings = env.settings()?;
    let base = settings.under(Plan::session(rate));
    let asked = Sound {
        rate,
        channels: if wanted.mono { 1 } else { 2 },
        format: wanted.bits.into(),
        top: wanted.ceiling_drive.map(Dbfs).or(base.ceilings.drive).unwrap_or(UNCALIBRATED_CEILING),
        reference: Dbfs(wanted.reference),
        from: wanted.from.map(Dbfs),
        step_db: wanted.step,
        sines_hz: wanted.sines.clone(),
        beside: wanted.beside.iter().map(|kind| (kind.make)(rate)).collect(),
    };
    let confirmed = wanted.confirm_ceiling.or(settings.confirm_ceiling.filter(|_| wanted.ceiling_drive.is_none()));
    let asked = request::confirmable(asked.over(base, confirmed))?;
    let sound = write_sound(&sound_plan(&asked)?, &wanted.out)?;
    stated(&sound, wanted, env.out)
}

fn stated(sound: &SoundPlan, wanted: &PlanFile, out: &mut dyn Write) -> Result<()> {
    if wanted.json {
        let all = serde_json::json!({
            "file": wanted.out,
            "plan_file": plan_path(&wanted.out),
            "duration_s": sound.seconds(),
            "plan": sound,
        });
        return show::json(&all, out);
    }
    let channels = if sound.channels > 1 { "two channels" } else { "one channel" };
    writeln!(
        out,
        "{}: {:.0} s at {}, {channels}, {}",
        wanted.out.display(),
        sound.seconds(),
        sound.rate,
        sound.format.in_words()
    )?;
    let drives: Vec<String> = sound
        .steps
        .iter()
        .map(|step| step.drive.map_or_else(|| step.purpose.to_string(), |drive| format!("{} {drive}", step.purpose)))
        .collect();
    write!(out, "{}", terminal::text(&format!("{} steps: {}.", sound.steps.len(), drives.join(", "))))?;
    writeln!(out, "plan kept in {}", plan_path(&wanted.out).display())?;
    cautions(out)?;
    let plan = plan_path(&wanted.out);
    writeln!(
        out,
        "\nFollow it live:     loudenough listen --plan \"{0}\"\nor from a recording: loudenough ingest RECORDING --plan \"{0}\"",
        plan.display()
    )?;
    Ok(())
}

fn cautions(out: &mut dyn Write) -> Result<()> {
    for caution in CAUTIONS {
        write!(out, "{}", terminal::text(caution))?;
    }
    Ok(())
}

/// Follows it live.
pub(super) fn listen(plan: PathBuf, mut wanted: Listen, env: &mut Environment) -> Result<()> {
    let sound = read_plan(&plan)?;
    if wanted.desk.playback.is_none() && !is_kept(&wanted.desk) {
        wanted.desk.playback.clone_from(&wanted.desk.capture);
    }
    let chain = chain(&wanted.desk, env)?;
    follow(sound, None, chain, &wanted.listener, &wanted.keep, env)
}

/// Takes it from a recording.
pub(super) fn ingest(mut wanted: Ingest, env: &mut Environment) -> Result<()> {
    let sound = read_plan(&wanted.plan)?;
    let recording = AudioFile::open(&wanted.recording).map_err(|e| anyhow!("{}: {e}", wanted.recording.display()))?;
    let rate = recording.rate;
    let desk = &mut wanted.desk;
    if !is_kept(desk) {
        let recorder = desk.capture.get_or_insert_with(|| RECORDER.into()).clone();
        desk.playback.get_or_insert(recorder);
    }
    // The rate of an input is part of what an offset belongs to.
    desk.capture_rate = Some(rate.get());
    let chain = chain(desk, env)?;
    follow(sound, Some(wanted.recording), chain, &wanted.listener, &wanted.keep, env)
}

/// True where a chain is there to start from.
fn is_kept(desk: &Desk) -> bool {
    desk.chain.is_some() || chain_file::default_path().exists()
}

fn chain(desk: &Desk, env: &Environment) -> Result<Chain> {
    let (mut chain, _) = request::chain(desk, &(env.now)())?;
    request::use_valid_offsets(&mut chain, desk)?;
    Ok(chain)
}

fn follow(
    mut sound: SoundPlan,
    recording: Option<PathBuf>,
    chain: Chain,
    listener: &Listener,
    keep: &Keep,
    env: &mut Environment,
) -> Result<()> {
    if recording.is_none() && !keep.shown.json {
        cautions(env.out)?;
    }
    let base = env.settings()?.listens(sound.plan.clone());
    let listening = request::listening(listener).or(base.listening);
    let mut plan = Plan { listening, rule: request::rule(listener, base.rule)?, ..base };
    still_from_settings(&mut plan);
    sound.plan.from_settings.clone_from(&plan.from_settings);
    let request = ElsewhereRequest {
        sound,
        recording,
        chain,
        listening: plan.listening,
        rule: plan.rule,
        sessions: keep.sessions.clone().unwrap_or_else(storage::default_sessions_dir),
        id: keep.id.clone(),
    };
    let bench = env.bench();
    bench.commands.send(Command::Elsewhere(Box::new(request)))?;
    let (record, folder) = follow::session(&bench, &keep.shown, env.out)?;
    env.exit = run::report(&record, &folder, &keep.shown, env.out)?;
    Ok(())
}
