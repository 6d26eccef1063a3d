//! How many connections are open, in all and from one address.

use std::collections::HashMap;
use std::net::{IpAddr, Ipv6Addr};
use std::sync::{Arc, Mutex, PoisonError};

/// Bits of an IPv6 address that tell networks apart; one customer of a provider has at least all addresses
/// below (RFC 6177).
const NETWORK_OF_IPV6: u32 = 64;

/// Places for connections; clones share them.
#[derive(Debug, Clone)]
pub(crate) struct Places {
    most: usize,
    most_of_one: usize,
    taken: Arc<Mutex<Taken>>,
}

#[derive(Debug, Default)]
struct Taken {
    all: usize,
    by_network: HashMap<IpAddr, usize>,
}

/// A taken place, free again when it is dropped.
#[derive(Debug)]
pub(crate) struct Place {
    network: IpAddr,
    taken: Arc<Mutex<Taken>>,
}

/// Why there is no place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Full {
    /// All are taken.
    Everywhere,
    /// The address has all that it may have.
    ForAddress,
}

impl Places {
    pub(crate) fn new(most: usize, most_of_one: usize) -> Self {
        Self {
            most,
            most_of_one,
            taken: Arc::default(),
        }
    }

    /// Takes a place for a connection from an address.
    pub(crate) fn take(&self, address: IpAddr) -> Result<Place, Full> {
        let network = network(address);
        let mut taken = self.taken.lock().unwrap_or_else(PoisonError::into_inner);
        if taken.all >= self.most {
            return Err(Full::Everywhere);
        }
        let of_one = taken.by_network.entry(network).or_default();
        if *of_one >= self.most_of_one {
            return Err(Full::ForAddress);
        }
        *of_one += 1;
        taken.all += 1;
        Ok(Place {
            network,
            taken: Arc::clone(&self.taken),
        })
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let mut taken = self.taken.lock().unwrap_or_else(PoisonError::into_inner);
        taken.all = taken.all.saturating_sub(1);
        if let Some(of_one) = taken.by_network.get_mut(&self.network) {
            *of_one = of_one.saturating_sub(1);
            if *of_one == 0 {
                taken.by_network.remove(&self.network);
            }
        }
    }
}

/// Gives what counts as one address.
fn network(address: IpAddr) -> IpAddr {
    match address.to_canonical() {
        IpAddr::V4(address) => IpAddr::V4(address),
        IpAddr::V6(address) => {
            let host = u128::MAX >> NETWORK_OF_IPV6;
            IpAddr::V6(Ipv6Addr::from_bits(address.to_bits() & !host))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn address(text: &str) -> IpAddr {
        text.parse().expect("an address")
    }

    #[test]
    fn an_address_has_so_many_places_and_gets_them_back() {
        let places = Places::new(10, 2);
        let first = places.take(address("192.0.2.1")).expect("a place");
        let _second = places.take(address("192.0.2.1")).expect("a place");
        let third = places.take(address("192.0.2.1"));
        assert_eq!(third.map(drop), Err(Full::ForAddress));
        assert!(places.take(address("192.0.2.2")).is_ok());
        drop(first);
        assert!(places.take(address("192.0.2.1")).is_ok());
    }

    #[test]
    fn all_addresses_together_have_so_many_places() {
        let places = Places::new(2, 2);
        let first = places.take(address("192.0.2.1")).expect("a place");
        let _second = places.take(address("192.0.2.2")).expect("a place");
        let third = places.take(address("192.0.2.3"));
        assert_eq!(third.map(drop), Err(Full::Everywhere));
        drop(first);
        assert!(places.take(address("192.0.2.3")).is_ok());
    }

    #[test]
    fn a_network_of_ipv6_counts_as_one_address_and_a_mapped_address_as_its_own() {
        let places = Places::new(10, 1);
        let _first = places.take(address("2001:db8:0:1::1")).expect("a place");
        assert!(places.take(address("2001:db8:0:1:ffff::2")).is_err());
        assert!(places.take(address("2001:db8:0:2::1")).is_ok());
        let _mapped = places.take(address("::ffff:192.0.2.1")).expect("a place");
        assert!(places.take(address("192.0.2.1")).is_err());
        assert!(places.take(address("::ffff:192.0.2.2")).is_ok());
    }

    #[test]
    fn nothing_is_remembered_of_those_who_left() {
        let places = Places::new(10, 1);
        for last in 1..=9 {
            drop(places.take(address(&format!("192.0.2.{last}"))));
        }
        let taken = places.taken.lock().expect("not poisoned");
        assert_eq!((taken.all, taken.by_network.len()), (0, 0));
    }
}
