//! Integration tests: one binary, one module per question.

mod layering;
