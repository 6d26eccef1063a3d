//! What the fuzzer does, on every machine and in every run: each reader of untrusted input gets the committed inputs,
//! then some thousand variations of them that are the same every time.
//!
//! Longer and with an eye on what the code does: `tests/fuzz/run`.

#[expect(
    unreachable_pub,
    reason = "the library of the fuzzer, where they are reached"
)]
#[path = "../fuzz/src/lib.rs"]
mod readers;

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use rand::{Rng as _, RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;

/// Variations of all inputs of a target together.
const VARIATIONS: usize = 20_000;

/// Most bytes of a variation.
const LONGEST: usize = 4_096;

/// Gives the committed inputs of a target with their names.
fn corpus(target: &str) -> Vec<(String, Vec<u8>)> {
    let folder = Path::new("fuzz/corpus").join(target);
    let mut found = Vec::new();
    let entries = std::fs::read_dir(&folder)
        .unwrap_or_else(|error| panic!("cannot list {}: {error}", folder.display()));
    for entry in entries {
        let path = entry
            .expect("a listed folder can be read to its end")
            .path();
        let input = std::fs::read(&path).expect("a committed input can be read");
        found.push((path.display().to_string(), input));
    }
    found.sort();
    assert!(found.len() >= 3, "{target} has only {} inputs", found.len());
    found
}

/// Gives the words that the fuzzer knows for a target, as bytes.
fn words(target: &str) -> Vec<Vec<u8>> {
    let path = Path::new("fuzz/words").join(format!("{target}.dict"));
    let text = std::fs::read_to_string(path).expect("every target has words");
    let mut words = Vec::new();
    let quoted = |line: &'_ str| Some(line.strip_prefix('"')?.strip_suffix('"')?.to_owned());
    for quoted in text.lines().filter_map(quoted) {
        let mut word = Vec::new();
        let mut rest = quoted.as_str();
        while let Some((before, after)) = rest.split_once('\\') {
            word.extend(before.bytes());
            if let Some(digits) = after.strip_prefix('x') {
                word.push(u8::from_str_radix(&digits[..2], 16).expect("two digits"));
                rest = &digits[2..];
            } else {
                word.extend(after.bytes().take(1));
                rest = &after[1..];
            }
        }
        word.extend(rest.bytes());
        words.push(word);
    }
    assert!(!words.is_empty(), "{target} has no words");
    words
}

/// Changes an input in one to four places: a bit, a byte, a stretch taken out, doubled or moved in from another input, or
/// a word.
fn varied(input: &[u8], other: &[u8], words: &[Vec<u8>], random: &mut ChaCha8Rng) -> Vec<u8> {
    let mut varied = input.to_vec();
    for _ in 0..random.random_range(1..=4) {
        let at = random.random_range(0..=varied.len());
        let end = random.random_range(at..=varied.len().min(at + 16));
        match random.random_range(0..6) {
            0 if at < varied.len() => varied[at] ^= 1 << random.random_range(0..8),
            1 => varied.insert(at, u8::try_from(random.next_u32() & 0xff).expect("a byte")),
            2 => drop(varied.drain(at..end)),
            3 => {
                let stretch = varied[at..end].to_vec();
                varied.splice(at..at, stretch);
            }
            4 if !other.is_empty() => {
                let from = random.random_range(0..other.len());
                let to = random.random_range(from..=other.len().min(from + 64));
                varied.splice(at..end, other[from..to].iter().copied());
            }
            _ => {
                let word = &words[random.random_range(0..words.len())];
                varied.splice(at..end, word.iter().copied());
            }
        }
    }
    varied.truncate(LONGEST);
    varied
}

fn withstands(target: &str, read: fn(&[u8])) {
    let corpus = corpus(target);
    let words = words(target);
    for (name, input) in &corpus {
        let done = catch_unwind(AssertUnwindSafe(|| read(input)));
        assert!(done.is_ok(), "{target} fails on {name}: see above");
    }
    let mut random = ChaCha8Rng::seed_from_u64(20_261_126);
    for _ in 0..VARIATIONS {
        let (_, input) = &corpus[random.random_range(0..corpus.len())];
        let (_, other) = &corpus[random.random_range(0..corpus.len())];
        let varied = varied(input, other, &words, &mut random);
        let done = catch_unwind(AssertUnwindSafe(|| read(&varied)));
        let shown = String::from_utf8_lossy(&varied);
        assert!(
            done.is_ok(),
            "{target} fails on {shown:?} ({varied:?}): see above"
        );
    }
}

#[test]
fn names_of_resources_withstand_the_fuzzer() {
    withstands("resource_names", readers::resource_names::read);
}

#[test]
fn ring_tables_withstand_the_fuzzer() {
    withstands("ring_tables", readers::ring_tables::read);
}

#[test]
fn tokens_and_enrolment_codes_withstand_the_fuzzer() {
    withstands("secrets", readers::secrets::read);
}

#[test]
fn page_tokens_withstand_the_fuzzer() {
    withstands("page_tokens", readers::page_tokens::read);
}

#[test]
fn requests_as_json_withstand_the_fuzzer() {
    withstands("json_requests", readers::json_requests::read);
}

#[test]
fn rules_of_recurrence_withstand_the_fuzzer() {
    withstands("recurrences", readers::recurrences::read);
}

#[test]
fn every_target_of_the_fuzzer_is_tried_here() {
    let manifest = std::fs::read_to_string("fuzz/Cargo.toml").expect("the fuzzer's manifest");
    let mut targets: Vec<&str> = manifest
        .lines()
        .filter_map(|line| line.strip_prefix("path = \"fuzz_targets/"))
        .filter_map(|name| name.strip_suffix(".rs\""))
        .collect();
    targets.sort_unstable();
    let tried = [
        "json_requests",
        "page_tokens",
        "recurrences",
        "resource_names",
        "ring_tables",
        "secrets",
    ];
    assert_eq!(targets, tried);
}
