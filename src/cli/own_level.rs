//! `stock listener --measure`: the listener's own level, from what their volume position gives.

use super::args::{MeasureBy, WhoListens};
use super::{Environment, follow, show};
use crate::account;
use crate::account::write::terminal;
use crate::card::CardId;
use crate::session::chain_file;
use crate::session::own_level::{BEFORE, How, OwnLevel, OwnLevelAsk, USUAL_MUSIC};
use crate::session::protocol::{Command, Event};
use crate::session::runner::Bench;
use crate::stock::{MeasuredLevel, folder};
use crate::units::Dbfs;
use anyhow::{Result, bail, ensure};
use std::path::Path;

pub(super) fn measure(wanted: &WhoListens, by: MeasureBy, to: &Path, env: &mut Environment) -> Result<()> {
    let path = wanted.chain.as_deref().map_or_else(chain_file::default_path, chain_file::find);
    let chain = chain_file::load(&path)?;
    let how = match by {
        MeasureBy::Pink => How::Pink { drive: Dbfs(wanted.drive), music: wanted.music_level.map_or(USUAL_MUSIC, Dbfs) },
        MeasureBy::Music => How::Music { seconds: wanted.seconds },
    };
    // Silent until it is asked.
    let bench = env.bench();
    let mut aside = show::aside(wanted.json, &mut *env.out);
    let out = &mut *aside;
    for words in BEFORE {
        write!(out, "{}", terminal::text(words))?;
    }
    let next = match by {
        MeasureBy::Pink => "Press Enter: quiet pink noise plays for a few seconds.",
        MeasureBy::Music => "Let the music go on playing and press Enter: the bench listens and plays nothing.",
    };
    writeln!(out, "{next}")?;
    out.flush()?;
    let mut line = String::new();
    ensure!(std::io::stdin().read_line(&mut line)? > 0, "nobody pressed Enter; nothing was played and nothing is kept");
    follow::stop_on_ctrl_c(&bench);
    let asked = OwnLevelAsk { chain: chain.clone(), how };
    bench.commands.send(Command::OwnLevel(Box::new(asked)))?;
    let own = heard(&bench)?;
    for words in account::own_level::heard(&own) {
        write!(out, "{}", terminal::text(&words))?;
    }
    ensure!(own.flaws.is_empty(), "it is not kept while something is in doubt; put that right and measure again");
    if chain.routing.playback == CardId::simulated() {
        writeln!(out, "The simulated bench is invented: its level is kept all the same, forget it with --forget.")?;
    }
    drop(aside);
    let (listening, _) = own.listening();
    let measured = MeasuredLevel::of(&own, &chain);
    let file = folder::keep_level(to, (env.now)(), listening, Some(measured))?;
    let kept = folder::listener(to)?;
    if wanted.json {
        return show::json(&serde_json::json!({ "measured": own, "listener": kept, "file": file }), env.out);
    }
    let kept = kept.map_or(String::new(), |kept| account::own_level::kept(&kept));
    writeln!(env.out, "{kept} It is kept in {}.", file.display())?;
    Ok(())
}

fn heard(bench: &Bench) -> Result<OwnLevel> {
    let bar = follow::busy();
    loop {
        match bench.events.recv()? {
            Event::OwnLevel(own) => {
                bar.finish_and_clear();
                return Ok(*own);
            }
            Event::Failed(failure) => {
                bar.finish_and_clear();
                bail!("{}", failure.message)
            }
            Event::Playing { done_s, total_s } => bar.set_message(format!("{done_s:.0} of {total_s:.0} s")),
            _ => {}
        }
    }
}
