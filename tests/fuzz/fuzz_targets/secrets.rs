//! Target: see `secrets` in the library.
#![no_main]

libfuzzer_sys::fuzz_target!(|input: &[u8]| readers::secrets::read(input));
