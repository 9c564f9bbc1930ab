//! Why two sessions cannot be compared, each with what to do.

/// Why two sessions cannot be compared.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum NotComparable {
    /// One and the same.
    #[error("both are the same session ({0}); choose another one for the second output")]
    OneSession(String),
    /// A path check.
    #[error("{0} is a path check, not a session; run a session of this output (`loudenough run`)")]
    PathCheck(String),
    /// Not finished.
    #[error("the session {0} is not finished; go on with it first (`loudenough run --continue`)")]
    Unfinished(String),
    /// One half of a swap against something else.
    #[error("one output of a swap is compared with the other output of the same swap; name both folders")]
    HalfASwap,
    /// A swap that was left off.
    #[error(
        "only {played} of {wanted} rounds were played: the first output again shows what seat, gain and room have drifted; go on with `loudenough swap --continue`"
    )]
    RoundsMissing {
        /// So many.
        played: usize,
        /// At least so many.
        wanted: usize,
    },
    /// Two noises.
    #[error(
        "the sessions played different noise ({0} and {1}), so their responses are read at different frequencies; run one of them again with the noise of the other"
    )]
    Noises(String, String),
    /// Two headphones.
    #[error("the sessions have different headphones, {0} and {1}; a comparison of outputs needs one")]
    Headphones(String, String),
    /// Different ears or none.
    #[error("the sessions were measured at different ears; run one of them again at the ear of the other")]
    Ears,
    /// Two inputs without calibration.
    #[error("a session is not calibrated and the inputs differ ({0}); calibrate both, or use one input for both")]
    Inputs(String),
    /// No level both have.
    #[error(
        "the level {level:.1} {unit} lies outside what {who} was measured at ({low:.1} to {high:.1}); state a level both have"
    )]
    Outside {
        /// Asked.
        level: f64,
        /// Its unit.
        unit: &'static str,
        /// Which output.
        who: String,
        /// Quietest step.
        low: f64,
        /// Loudest step.
        high: f64,
    },
    /// Between steps of which one is not clean.
    #[error(
        "{who} is not clean at {level:.1} {unit}, and nothing is known between a clean step and one that is not; state a lower level, or play a step at this one (`loudenough run --match`)"
    )]
    NotClean {
        /// Asked.
        level: f64,
        /// Its unit.
        unit: &'static str,
        /// Which output.
        who: String,
    },
    /// No highest clean level to start from.
    #[error("the highest clean level of {0} is not determined; state the level to match at")]
    NoLevel(String),
    /// Seats.
    #[error(
        "the headphone was refitted between the sessions, and neither has two seats to show what that changes; add seats (`loudenough hold`), or, where it stayed on the coupler, say so (`--same-seat`)"
    )]
    SeatsUnknown,
}
