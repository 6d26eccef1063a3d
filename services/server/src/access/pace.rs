//! How often callers may come: by credential, and by address for those who fail.

use std::net::{IpAddr, Ipv6Addr};
use std::num::NonZeroU32;
use std::time::Duration;

use governor::clock::{Clock as _, DefaultClock};
use governor::{DefaultKeyedRateLimiter, Quota, RateLimiter};
use ringtrue_fleet::key::CredentialId;

use crate::app::Error;
use crate::config::Access;

/// How many calls without a usable credential an address may make at once,
const FAILURES: NonZeroU32 = NonZeroU32::new(30).expect("not zero");

/// and how long it takes until one more is allowed.
const FAILURE_EVERY: Duration = Duration::from_secs(2);

/// How many credentials that are not remembered an address may have looked up at once: made-up ones cost a query each,
const LOOKS: NonZeroU32 = NonZeroU32::new(500).expect("not zero");

/// and how long it takes until one more is allowed.
const LOOK_EVERY: Duration = Duration::from_millis(20);

/// How many enrolment codes an address may try at once: each costs the server a slow hash,
const ENROLMENTS: NonZeroU32 = NonZeroU32::new(10).expect("not zero");

/// and how long it takes until one more is allowed.
const ENROLMENT_EVERY: Duration = Duration::from_secs(12);

/// The limits; they live in this process only, so several servers together allow as many times more.
#[derive(Debug)]
pub(super) struct Pace {
    credentials: DefaultKeyedRateLimiter<CredentialId>,
    addresses: DefaultKeyedRateLimiter<IpAddr>,
    looks: DefaultKeyedRateLimiter<IpAddr>,
    failures: DefaultKeyedRateLimiter<IpAddr>,
    enrolments: DefaultKeyedRateLimiter<IpAddr>,
}

fn a_second(calls: NonZeroU32) -> Quota {
    Quota::per_second(calls).allow_burst(calls.saturating_mul(NonZeroU32::MIN.saturating_add(1)))
}

fn one_every(span: Duration, burst: NonZeroU32) -> Quota {
    Quota::with_period(span).map_or(Quota::per_second(burst), |quota| quota.allow_burst(burst))
}

/// The address as it is counted: a network of one IPv6 customer (/64) counts as one.
fn counted(address: IpAddr) -> IpAddr {
    match address.to_canonical() {
        IpAddr::V6(six) => IpAddr::V6(Ipv6Addr::from_bits(six.to_bits() & !u128::from(u64::MAX))),
        four @ IpAddr::V4(_) => four,
    }
}

impl Pace {
    pub(super) fn new(settings: &Access) -> Self {
        Self {
            credentials: RateLimiter::keyed(a_second(settings.calls_per_s)),
            addresses: RateLimiter::keyed(a_second(settings.calls_per_s_and_address)),
            looks: RateLimiter::keyed(one_every(LOOK_EVERY, LOOKS)),
            failures: RateLimiter::keyed(one_every(FAILURE_EVERY, FAILURES)),
            enrolments: RateLimiter::keyed(one_every(ENROLMENT_EVERY, ENROLMENTS)),
        }
    }

    /// Counts a call of a credential.
    pub(super) fn call(
        &self,
        credential: &CredentialId,
        address: Option<IpAddr>,
    ) -> Result<(), Error> {
        counting(&self.credentials, credential)?;
        match address {
            Some(address) => counting(&self.addresses, &counted(address)),
            None => Ok(()),
        }
    }

    /// Counts a call that nobody could be found for.
    pub(super) fn failure(&self, address: IpAddr) -> Result<(), Error> {
        counting(&self.failures, &counted(address))
    }

    /// Counts a look for a credential that is not remembered.
    pub(super) fn look(&self, address: IpAddr) -> Result<(), Error> {
        counting(&self.looks, &counted(address))
    }

    /// Counts a try of an enrolment code.
    pub(super) fn enrolment(&self, address: IpAddr) -> Result<(), Error> {
        counting(&self.enrolments, &counted(address))
    }

    /// Forgets those who have not come for long.
    pub(super) fn forget(&self) {
        self.credentials.retain_recent();
        self.addresses.retain_recent();
        self.looks.retain_recent();
        self.failures.retain_recent();
        self.enrolments.retain_recent();
    }
}

fn counting<K: std::hash::Hash + Eq + Clone>(
    limiter: &DefaultKeyedRateLimiter<K>,
    key: &K,
) -> Result<(), Error> {
    limiter.check_key(key).map_err(|until| Error::TooOften {
        wait: until.wait_time_from(DefaultClock::default().now()),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn address(text: &str) -> IpAddr {
        text.parse().expect("an address")
    }

    #[test]
    fn addresses_that_fail_are_slowed_down_and_others_are_not() {
        let pace = Pace::new(&Access::default());
        let (bad, other) = (address("192.0.2.7"), address("192.0.2.8"));
        let refused = (0..100).find_map(|_| pace.failure(bad).err());
        let Some(Error::TooOften { wait }) = refused else {
            panic!("never refused");
        };
        assert!(wait > Duration::ZERO && wait <= FAILURE_EVERY, "{wait:?}");
        assert!(pace.failure(other).is_ok());
        assert!(pace.enrolment(bad).is_ok(), "counted apart");
    }

    #[test]
    fn a_network_of_one_customer_counts_as_one_address() {
        let pace = Pace::new(&Access::default());
        for last in 0..10 {
            let one = address(&format!("2001:db8:1:2::{last}"));
            assert!(pace.enrolment(one).is_ok(), "{last}");
        }
        assert!(pace.enrolment(address("2001:db8:1:2:ffff::1")).is_err());
        assert!(pace.enrolment(address("2001:db8:1:3::1")).is_ok());
        assert_eq!(counted(address("::ffff:192.0.2.7")), address("192.0.2.7"));
    }

    #[test]
    fn one_credential_does_not_use_up_what_others_may() {
        let few = Access {
            calls_per_s: NonZeroU32::new(1).expect("not zero"),
            ..Access::default()
        };
        let pace = Pace::new(&few);
        let [one, other] = [1, 2].map(|id| CredentialId::from_uuid(uuid::Uuid::from_u128(id)));
        let here = Some(address("192.0.2.7"));
        assert!((0..10).any(|_| pace.call(&one, here).is_err()));
        assert!(pace.call(&other, here).is_ok());
    }
}
