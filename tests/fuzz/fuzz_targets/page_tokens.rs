//! Target: see `page_tokens` in the library.
#![no_main]

libfuzzer_sys::fuzz_target!(|input: &[u8]| readers::page_tokens::read(input));
