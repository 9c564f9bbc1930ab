//! The listener's own level in words.

use crate::figure::Figure;
use crate::session::own_level::{How, OwnLevel};
use crate::stock::KeptListener;
use crate::units::tidy;

/// What was heard at the listener's own volume position, one sentence an item.
pub fn heard(own: &OwnLevel) -> Vec<String> {
    let at = own.role.in_words();
    let z = Figure::new(own.z, 1).in_unit("dB SPL");
    let a = own.a.map(|a| format!(", A-weighted {}", Figure::new(a, 1).in_unit("dB")));
    let diffuse =
        own.diffuse_a.map(|d| format!(", related to the diffuse field {}", Figure::new(d, 1).in_unit("dB A")));
    let levels = format!("{z}{}{}", a.unwrap_or_default(), diffuse.unwrap_or_default());
    let mut words = vec![match own.how {
        How::Pink { drive, music } => format!(
            "At the {at} this position gives {levels} for pink noise as loud as music of {music}; it was played at {drive}."
        ),
        How::Music { .. } => format!(
            "At the {at} your music has {levels}, energy average over {} s{}.",
            tidy(own.listened_s, 0),
            own.steadiness_db.map_or(String::new(), |db| format!("; stretches of 5 s vary by {} dB", tidy(db, 1)))
        ),
    }];
    words.extend(own.flaws.iter().map(|flaw| format!("Doubt: {}", flaw.text)));
    words
}

/// The level that is kept, and where it comes from.
pub fn kept(kept: &KeptListener) -> String {
    let (level, since) = (kept.listening, &kept.stated_at);
    match &kept.measured {
        None => format!("The listener's level is {level}, kept since {since}."),
        Some(m) => format!(
            "The listener's level is {level} (±{} dB), measured with {} on {} with {} for {} s, kept since {since}.",
            tidy(m.half_width_db, 1),
            m.by,
            m.output,
            m.headphone,
            tidy(m.listened_s, 0)
        ),
    }
}
