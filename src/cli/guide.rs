//! `guide`: the user guide, from the program itself.

use super::Environment;
use crate::account::guide::{TOPICS, topic};
use anyhow::{Context, Result};

pub(super) fn guide(wanted: Option<&str>, env: &mut Environment) -> Result<()> {
    let out = &mut *env.out;
    let Some(name) = wanted else {
        writeln!(out, "The guide has these topics; `loudenough guide TOPIC` prints one.\n")?;
        for topic in TOPICS {
            writeln!(out, "  {:14} {}", topic.name, topic.title())?;
        }
        return Ok(());
    };
    let names = || TOPICS.iter().map(|topic| topic.name).collect::<Vec<_>>().join(", ");
    let topic = topic(name).with_context(|| format!("the guide has no topic `{name}`; it has {}", names()))?;
    write!(out, "{}", topic.text)?;
    Ok(())
}
