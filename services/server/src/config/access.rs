//! The settings of who may come in and how often.

use std::num::NonZeroU32;

use super::layers::Given;
use super::within;

/// Who may come in and how often.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Access {
    /// Whether a caller on this machine needs no credential over a connection without encryption.
    pub local_callers: bool,
    /// How many calls a second one credential may make; twice as many at once.
    pub calls_per_s: NonZeroU32,
    /// How many calls a second may come from one network address; twice as many at once.
    pub calls_per_s_and_address: NonZeroU32,
}

const CALLS: NonZeroU32 = NonZeroU32::new(1_000).expect("not zero");

const CALLS_AND_ADDRESS: NonZeroU32 = NonZeroU32::new(5_000).expect("not zero");

/// Most of either: no machine answers more.
const MOST: u32 = 1_000_000;

impl Default for Access {
    fn default() -> Self {
        Self {
            local_callers: true,
            calls_per_s: CALLS,
            calls_per_s_and_address: CALLS_AND_ADDRESS,
        }
    }
}

impl Access {
    pub(super) fn given(given: &mut Given) -> Self {
        let default = Self::default();
        Self {
            local_callers: given.truth("access.local_callers", default.local_callers),
            calls_per_s: rate(given, "access.calls_per_s", default.calls_per_s),
            calls_per_s_and_address: rate(
                given,
                "access.calls_per_s_and_address",
                default.calls_per_s_and_address,
            ),
        }
    }

    pub(super) fn effective(&self) -> String {
        format!(
            "\n[access]\nlocal_callers = {}\ncalls_per_s = {}\ncalls_per_s_and_address = {}",
            self.local_callers, self.calls_per_s, self.calls_per_s_and_address
        )
    }
}

fn rate(given: &mut Given, key: &'static str, default: NonZeroU32) -> NonZeroU32 {
    let calls = given.whole(key, u64::from(default.get()));
    within(key, calls, 1, u64::from(MOST), "calls", &mut given.faults);
    let calls = u32::try_from(calls).unwrap_or(MOST);
    NonZeroU32::new(calls).unwrap_or(default)
}
