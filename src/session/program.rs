//! Which program is this? Version, commit, features and sound systems, as every session and every report carries them.

/// Name and version.
pub const NAME: &str = concat!(env!("CARGO_PKG_NAME"), " ", env!("CARGO_PKG_VERSION"));

/// Version of the arithmetic that takes are analysed with and sessions judged by. It is raised when the same recording gives other
/// numbers than before by more than a rounding, and each step keeps the one that its numbers were computed with.
pub const ARITHMETIC: u32 = 1;

/// Commit that it was built from, where whoever built it stated one (`LOUDENOUGH_COMMIT` while building). Nothing is asked
/// of a repository, so that the same source gives the same program.
const COMMIT: Option<&str> = option_env!("LOUDENOUGH_COMMIT");

/// Features that can be built in, and whether they are.
const FEATURES: [(&str, bool); 7] = [
    ("command-line", cfg!(feature = "command-line")),
    ("gui", cfg!(feature = "gui")),
    ("jack", cfg!(feature = "jack")),
    ("music", cfg!(feature = "music")),
    ("pictures", cfg!(feature = "pictures")),
    ("pulseaudio", cfg!(feature = "pulseaudio")),
    ("sound-card", cfg!(feature = "sound-card")),
];

/// Sound systems that can be reached, and whether they can.
const HOSTS: [(&str, bool); 6] = [
    ("simulated", true),
    ("alsa", cfg!(all(feature = "sound-card", target_os = "linux"))),
    ("jack", cfg!(feature = "jack")),
    ("pulseaudio", cfg!(feature = "pulseaudio")),
    ("wasapi", cfg!(all(feature = "sound-card", target_os = "windows"))),
    ("coreaudio", cfg!(all(feature = "sound-card", target_os = "macos"))),
];

/// Words of the sound systems that can be reached, as the ids of their cards begin.
pub fn hosts() -> impl Iterator<Item = &'static str> {
    HOSTS.iter().filter(|(_, is)| *is).map(|(name, _)| *name)
}

/// `0.2.0 (commit 1a2b3c4; features command-line, music; hosts simulated, alsa)`.
pub fn version() -> String {
    let listed = |all: &[(&'static str, bool)]| {
        let built_in: Vec<&str> = all.iter().filter(|(_, is)| *is).map(|(name, _)| *name).collect();
        if built_in.is_empty() { "none".to_string() } else { built_in.join(", ") }
    };
    let commit =
        COMMIT.filter(|commit| !commit.is_empty()).map_or(String::new(), |commit| format!("commit {commit}; "));
    let (features, hosts) = (listed(&FEATURES), listed(&HOSTS));
    format!("{} ({commit}features {features}; hosts {hosts})", env!("CARGO_PKG_VERSION"))
}

/// The same with the program's name.
pub fn program() -> String {
    format!("{} {}", env!("CARGO_PKG_NAME"), version())
}
