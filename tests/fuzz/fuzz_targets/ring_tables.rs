//! Target: see `ring_tables` in the library.
#![no_main]

libfuzzer_sys::fuzz_target!(|input: &[u8]| readers::ring_tables::read(input));
