//! Which session is meant? By its path, by `last`, by its name in the folder of sessions, by the beginning of that name, or by a
//! part of it. One answer or none: where several could be meant, they are listed.
//!
//! ```text
//! sessions/2026-03-01_09-12-33      2026-03-01_09-12-33 · 2026-03 · 09-12-33 · last · ./any/path
//! ```

use super::plan::Extent;
use super::storage::{all_sessions, at_a_glance, began};
use std::path::{Path, PathBuf};

/// The session that was begun last.
pub const LAST: &str = "last";
/// Candidates that are listed.
const LISTED: usize = 8;

/// Why no session is meant.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NotNamed {
    /// Nothing of this name.
    #[error(
        "no session name in {} is, begins with or contains `{typed}`; `loudenough notebook` lists them", sessions.display()
    )]
    None {
        /// As typed.
        typed: String,
        /// Where it was looked for.
        sessions: PathBuf,
    },
    /// More than one.
    #[error("`{typed}` could be {count} sessions; type more of the name:\n{listed}", listed = candidates.join("\n"))]
    Several {
        /// As typed.
        typed: String,
        /// How many.
        count: usize,
        /// The first of them, in words.
        candidates: Vec<String>,
    },
    /// Nothing was measured yet.
    #[error("there is no session in {} yet that `last` could be", .0.display())]
    NoLast(PathBuf),
}

/// The folder of the session that is meant by `typed`. What looks like a path is one: whether a session is there, opening it says.
///
/// # Errors
/// [`NotNamed`], in plain words.
pub fn resolve(sessions: &Path, typed: &Path) -> Result<PathBuf, NotNamed> {
    let Some(name) = plain_name(typed) else { return Ok(typed.into()) };
    // A folder here of this name is what the shell completes; a file called `last` is nobody's session.
    if typed.is_dir() {
        return Ok(typed.into());
    }
    if name == LAST {
        return last(sessions).ok_or_else(|| NotNamed::NoLast(sessions.into()));
    }
    let all: Vec<(String, PathBuf)> =
        all_sessions(sessions).into_iter().filter_map(|path| Some((name_of(&path)?, path))).collect();
    let names: Vec<&str> = all.iter().map(|(name, _)| name.as_str()).collect();
    match meant(&names, &name).as_slice() {
        [] => Err(NotNamed::None { typed: name, sessions: sessions.into() }),
        [one] => Ok(all[*one].1.clone()),
        several => Err(NotNamed::Several {
            count: several.len(),
            candidates: several.iter().rev().take(LISTED).map(|i| in_words(&all[*i].0, &all[*i].1)).collect(),
            typed: name,
        }),
    }
}

/// Numbers of the names that are meant: the one that is it, else those that begin so, else those that hold it.
fn meant(names: &[&str], typed: &str) -> Vec<usize> {
    let typed = typed.to_lowercase();
    let which = |holds: &dyn Fn(&str) -> bool| -> Vec<usize> {
        names.iter().enumerate().filter(|(_, name)| holds(&name.to_lowercase())).map(|(i, _)| i).collect()
    };
    let ways: [&dyn Fn(&str) -> bool; 3] =
        [&|name| name == typed, &|name| name.starts_with(&typed), &|name| name.contains(&typed)];
    ways.into_iter().map(which).find(|found| !found.is_empty()).unwrap_or_default()
}

/// A name without a folder in front of it.
fn plain_name(typed: &Path) -> Option<String> {
    let text = typed.to_str()?;
    let plain = !text.is_empty() && !text.contains(['/', '\\']) && text != "." && text != "..";
    plain.then(|| text.to_string())
}

fn name_of(folder: &Path) -> Option<String> {
    Some(folder.file_name()?.to_str()?.to_string())
}

/// The session begun last that was not set aside. A path check is none that anything could be asked of.
fn last(sessions: &Path) -> Option<PathBuf> {
    let mut all: Vec<_> = all_sessions(sessions).into_iter().filter_map(|path| Some((began(&path)?, path))).collect();
    all.sort();
    all.into_iter().rev().map(|(_, path)| path).find(|path| {
        at_a_glance(path).is_ok_and(|r| r.set_aside().is_none() && r.head.plan.extent != Extent::PathCheck)
    })
}

/// A candidate: name, when, what with what.
fn in_words(name: &str, folder: &Path) -> String {
    match at_a_glance(folder) {
        Ok(record) => {
            let (chain, aside) = (&record.head.chain, record.set_aside().map_or("", |_| ", set aside"));
            format!("  {name}: {} → {}{aside}", chain.output, chain.headphone)
        }
        Err(_) => format!("  {name}: cannot be read"),
    }
}

/// For each of these names, sorted, the shortest beginning of at least `least` letters that means it alone.
pub fn shortest(names: &[String], least: usize) -> Vec<String> {
    let lower: Vec<Vec<char>> = names.iter().map(|name| name.to_lowercase().chars().collect()).collect();
    let common = |a: &[char], b: &[char]| a.iter().zip(b).take_while(|(a, b)| a == b).count();
    let mut order: Vec<usize> = (0..names.len()).collect();
    order.sort_by(|a, b| lower[*a].cmp(&lower[*b]));
    let mut shortest = vec![String::new(); names.len()];
    for (place, &i) in order.iter().enumerate() {
        let before = place.checked_sub(1).map_or(0, |p| common(&lower[order[p]], &lower[i]));
        let after = order.get(place + 1).map_or(0, |next| common(&lower[*next], &lower[i]));
        let wanted = (before.max(after) + 1).max(least);
        shortest[i] = names[i].chars().take(wanted).collect();
    }
    shortest
}

#[cfg(test)]
mod tests {
    use super::*;

    const NAMES: [&str; 5] =
        ["2026-03-01_09-12-33", "2026-03-01_09-12-33-2", "2026-04-02_10-00-00", "evening", "Evening-2"];

    fn of(typed: &str) -> Vec<&'static str> {
        meant(&NAMES, typed).into_iter().map(|i| NAMES[i]).collect()
    }

    #[test]
    fn the_whole_name_comes_before_a_beginning_and_that_before_a_part() {
        assert_eq!(of("2026-03-01_09-12-33"), [NAMES[0]], "a whole name is meant, though another begins so");
        assert_eq!(of("2026-03"), [NAMES[0], NAMES[1]]);
        assert_eq!(of("2026-04"), [NAMES[2]]);
        assert_eq!(of("10-00"), [NAMES[2]]);
        assert_eq!(of("evening-"), [NAMES[4]], "upper and lower case are the same");
        assert!(of("june").is_empty());
    }

    #[test]
    fn the_shortest_beginning_means_its_session_alone() {
        let names: Vec<String> = NAMES.iter().map(|n| (*n).to_string()).collect();
        let short = shortest(&names, 4);
        assert_eq!(short[2], "2026-04");
        for (name, short) in names.iter().zip(&short) {
            let meant = of(short);
            assert_eq!(meant, [name.as_str()], "{short}");
        }
    }

    #[test]
    fn what_has_a_folder_in_it_is_a_path() {
        assert_eq!(plain_name(Path::new("a/b")), None);
        assert_eq!(plain_name(Path::new("./b")), None);
        assert_eq!(plain_name(Path::new("..")), None);
        assert_eq!(plain_name(Path::new("b")).as_deref(), Some("b"));
    }
}
