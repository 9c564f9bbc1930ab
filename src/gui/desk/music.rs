//! The listener's own music.

use super::{Desk, Evidence};
use std::path::PathBuf;

impl Desk {
    /// Judges these files on the session shown.
    pub(in crate::gui) fn judge_music(&mut self, files: Vec<PathBuf>) {
        if files.is_empty() {
            return;
        }
        let Some(digest) = self.view.digest.clone() else {
            self.refused = Some("Music is judged on a session; run one first.".into());
            return;
        };
        self.show(Evidence::Music);
        for file in files {
            self.music.add(file, &digest, &self.wake);
        }
    }
}
