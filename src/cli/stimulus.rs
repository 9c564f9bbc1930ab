//! `stimulus`: the samples of a stimulus as a WAV, for another player; and spectrum tables from files.

use super::args::{Spectrum, StimulusFile};
use super::{Environment, request, show};
use crate::calibration::curve;
use crate::session::plain_file;
use crate::session::wav::Wav;
use crate::signal::{Drive, DriveCeiling, FADE_S, Shaped, Stimulus, TableRow, raised_cosine};
use crate::units::{Dbfs, SampleRate};
use anyhow::{Context, Result, ensure};
use std::io::Write;

/// Seed of shaped noise.
const SHAPED_SEED: u64 = 1;
/// Longest file, seconds.
const LONGEST_S: f64 = 600.0;

pub(super) fn write(wanted: &StimulusFile, env: &mut Environment) -> Result<()> {
    let rate = SampleRate::new(wanted.rate)?;
    let stimulus = match (wanted.sine, shaped(&wanted.spectrum, &mut show::aside(wanted.json, env.out))?, wanted.sound)
    {
        (Some(hz), ..) => {
            ensure!((20.0..=0.45 * rate.hz()).contains(&hz), "--sine {hz} is outside 20 Hz to 0.45 of the rate");
            Stimulus::sine(hz)
        }
        (None, Some(shaped), _) => shaped,
        (None, None, Some(kind)) => (kind.make)(rate),
        (None, None, None) => anyhow::bail!("name a sound, --sine or --spectrum"),
    };
    let seconds = wanted.periods as f64 * stimulus.period_frames(rate) as f64 / rate.hz();
    ensure!(wanted.periods > 0 && seconds <= LONGEST_S, "--periods {} is outside 1 to {LONGEST_S} s", wanted.periods);
    let period = stimulus.period(rate);
    let no_ceiling = DriveCeiling { rms: Dbfs(f64::MAX), because: "a file".into() };
    let drive = Drive::grant(Dbfs(wanted.level), &period, &no_ceiling)?;
    let frames = wanted.periods * period.samples.len();
    let fade = if wanted.no_fades { 0.0 } else { FADE_S * rate.hz() };
    let samples = (0..frames).map(|n| {
        let (in_, out) = ((n as f64 + 0.5) / fade, (frames as f64 - n as f64 - 0.5) / fade);
        let faded = if fade > 0.0 { raised_cosine(in_) * raised_cosine(out) } else { 1.0 };
        (faded * drive.gain() * period.samples[n % period.samples.len()]) as f32
    });
    let wav = Wav { rate_hz: rate.get(), channels: vec![samples.collect()] };
    let mut file = std::fs::File::create_new(&wanted.out)
        .with_context(|| format!("cannot make {}; it may exist already", wanted.out.display()))?;
    file.write_all(&wav.to_bytes()?).with_context(|| format!("cannot write {}", wanted.out.display()))?;
    if wanted.json {
        let all = serde_json::json!({
            "file": wanted.out,
            "stimulus": stimulus,
            "rate_hz": rate.get(),
            "frames": frames,
            "duration_s": seconds,
            "level_dbfs": wanted.level,
            "peak_dbfs": drive.peak().map(|peak| peak.db()),
        });
        return show::json(&all, env.out);
    }
    writeln!(
        env.out,
        "{stimulus}: {seconds:.2} s at {rate}, {} RMS, peak {}; in {}",
        Dbfs(wanted.level),
        drive.peak().map_or_else(String::new, |p| p.to_string()),
        wanted.out.display()
    )?;
    Ok(())
}

/// Noise of the table, if one is named. Rows whose first field is no number are skipped and shown.
pub(super) fn shaped(spectrum: &Spectrum, out: &mut dyn Write) -> Result<Option<Stimulus>> {
    let Some(path) = &spectrum.spectrum else { return Ok(None) };
    let bytes =
        plain_file::read(path, plain_file::LARGEST_TEXT).with_context(|| format!("cannot read {}", path.display()))?;
    let stated = request::stated(&spectrum.text, None);
    let table = curve::rows(&bytes, &stated).with_context(|| format!("{} cannot be read", path.display()))?;
    for row in table.skipped {
        writeln!(out, "skipped in {}, line {}: {}", path.display(), row.line, row.text)?;
    }
    let row = |row: &curve::Row| TableRow { frequency_hz: row.frequency_hz, level_db: row.level_db };
    let shaped = Shaped::new(table.rows.iter().map(row).collect(), spectrum.per, SHAPED_SEED)
        .with_context(|| format!("{} is no spectrum", path.display()))?;
    Ok(Some(Stimulus::Shaped(shaped)))
}
