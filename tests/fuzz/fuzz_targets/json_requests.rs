//! Target: see `json_requests` in the library.
#![no_main]

libfuzzer_sys::fuzz_target!(|input: &[u8]| readers::json_requests::read(input));
