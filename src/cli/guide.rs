//! `guide`: the user guide, from the program itself.

use super::{Environment, show};
use crate::account::guide::{TOPICS, Topic, topic};
use anyhow::{Context, Result};
use serde_json::json;

pub(super) fn guide(wanted: Option<&str>, json: bool, env: &mut Environment) -> Result<()> {
    let out = &mut *env.out;
    let Some(name) = wanted else {
        if json {
            let one = |topic: &Topic| json!({ "topic": topic.name, "title": topic.title() });
            return show::json(&json!({ "topics": TOPICS.iter().map(one).collect::<Vec<_>>() }), out);
        }
        writeln!(out, "The guide has these topics; `loudenough guide TOPIC` prints one.\n")?;
        for topic in TOPICS {
            writeln!(out, "  {:14} {}", topic.name, topic.title())?;
        }
        return Ok(());
    };
    let names = || TOPICS.iter().map(|topic| topic.name).collect::<Vec<_>>().join(", ");
    let topic = topic(name).with_context(|| format!("the guide has no topic `{name}`; it has {}", names()))?;
    if json {
        let one = json!({ "topic": topic.name, "title": topic.title(), "markdown": topic.text });
        return show::json(&one, out);
    }
    write!(out, "{}", topic.text)?;
    Ok(())
}
