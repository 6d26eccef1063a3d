//! Target: see `resource_names` in the library.
#![no_main]

libfuzzer_sys::fuzz_target!(|input: &[u8]| readers::resource_names::read(input));
