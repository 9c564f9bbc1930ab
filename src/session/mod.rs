//! A session: what is asked (plan), what comes next (climb), what a take means on this chain (evaluate), what is kept
//! (record). Pure, except `runner` and `storage`.

pub mod audio_file;
pub mod chain;
pub mod chain_file;
pub mod clean;
pub mod climb;
pub mod electrical;
pub mod elsewhere;
pub mod evaluate;
pub mod lines;
pub mod listening;
pub mod matching;
pub mod music;
pub mod names;
pub mod notebook;
pub mod own_level;
pub mod pair;
pub mod path;
pub mod plain_file;
pub mod plan;
pub mod positions;
pub mod program;
pub mod protocol;
pub mod reanalyse;
pub mod record;
pub mod runner;
pub mod seats;
pub mod series;
pub mod step;
pub mod storage;
pub mod swap;
pub mod toml_file;
pub mod waiting;
pub mod wav;
