//! Target: see `recurrences` in the library.
#![no_main]

libfuzzer_sys::fuzz_target!(|input: &[u8]| readers::recurrences::read(input));
