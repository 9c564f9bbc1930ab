//! Real sound cards.
