#![no_main]

#[allow(dead_code)] // each target uses one check of them
#[path = "../checks.rs"]
mod checks;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| checks::chain(bytes));
