//! What the fuzzer tries on each reader of untrusted input: it must not panic, and what it accepts must be what it says.
//!
//! The test `fuzzing` includes this file and does the same with the committed inputs and some thousand variations.

/// Requests of the protocol written as JSON.
pub mod json_requests;
/// Tokens that lead from one page of a list to the next.
pub mod page_tokens;
/// Rules of recurrence.
pub mod recurrences;
/// Names of resources.
pub mod resource_names;
/// Ring tables as delimited text.
pub mod ring_tables;
/// Tokens of credentials and enrolment codes.
pub mod secrets;
