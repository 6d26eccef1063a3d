//! Where events may be sent: never, by way of a name or a number, into the network that the server itself stands in.

use std::fmt;
use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};

/// Networks that are nobody's on the open internet, with what each is for. Sources: the IANA special-purpose address
/// registries of RFC 6890 as of 2024, RFC 6598, RFC 5735, RFC 6333, RFC 2544, RFC 9637.
const RESERVED: [(&str, &str); 33] = [
    ("0.0.0.0/8", "of this host"),
    ("10.0.0.0/8", "private"),
    ("100.64.0.0/10", "shared by a provider's customers"),
    ("127.0.0.0/8", "of this machine itself"),
    ("169.254.0.0/16", "link-local, metadata services among them"),
    ("172.16.0.0/12", "private"),
    ("192.0.0.0/24", "reserved for protocols"),
    ("192.0.2.0/24", "for documentation"),
    ("192.31.196.0/24", "reserved for protocols"),
    ("192.52.193.0/24", "reserved for protocols"),
    ("192.88.99.0/24", "a relay between protocols"),
    ("192.168.0.0/16", "private"),
    ("192.175.48.0/24", "reserved for protocols"),
    ("198.18.0.0/15", "for measurements"),
    ("198.51.100.0/24", "for documentation"),
    ("203.0.113.0/24", "for documentation"),
    ("224.0.0.0/4", "multicast"),
    ("240.0.0.0/4", "reserved, broadcast among them"),
    ("::/128", "of this host"),
    ("::1/128", "of this machine itself"),
    ("::/96", "an address of version 4 in another form"),
    ("64:ff9b:1::/48", "a translation within a network"),
    ("100::/64", "discarded"),
    ("2001::/23", "reserved for protocols, Teredo among them"),
    ("2001:db8::/32", "for documentation"),
    ("3fff::/20", "for documentation"),
    ("5f00::/16", "reserved for routing"),
    ("fc00::/7", "unique-local"),
    ("fe80::/10", "link-local"),
    ("fec0::/10", "site-local"),
    ("ff00::/8", "multicast"),
    ("2620:4f:8000::/48", "reserved for protocols"),
    ("fd00:ec2::254/128", "a metadata service"),
];

/// A network: addresses that begin alike.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Network {
    address: IpAddr,
    bits: u32,
}

/// A text that is no network.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "`{0}` is not a network; write an address and the length of its beginning, such as 10.1.0.0/16"
)]
pub struct NotANetwork(String);

impl Network {
    /// Reads `10.1.0.0/16` or `fd00::/8`; an address alone is a network of one.
    pub fn parse(text: &str) -> Result<Self, NotANetwork> {
        let wrong = || NotANetwork(text.chars().take(80).collect());
        let (address, bits) = match text.split_once('/') {
            Some((address, bits)) => (address, Some(bits)),
            None => (text, None),
        };
        let address: IpAddr = address.parse().map_err(|_| wrong())?;
        let most = if address.is_ipv4() { 32 } else { 128 };
        let bits = match bits {
            Some(bits) => bits.parse().map_err(|_| wrong())?,
            None => most,
        };
        let network = Self { address, bits };
        if bits > most || network.masked(address) != Some(number(address)) {
            return Err(wrong());
        }
        Ok(network)
    }

    /// Whether an address is in it.
    pub fn holds(&self, address: IpAddr) -> bool {
        self.masked(address) == Some(number(self.address))
    }

    /// The beginning of an address, the rest nought; none when it is of another version.
    fn masked(&self, address: IpAddr) -> Option<u128> {
        if address.is_ipv4() != self.address.is_ipv4() {
            return None;
        }
        let width = if address.is_ipv4() { 32 } else { 128 };
        let rest = width - self.bits.min(width);
        let number = number(address);
        Some(match number.checked_shr(rest) {
            Some(beginning) => beginning.checked_shl(rest).unwrap_or(0),
            None => 0,
        })
    }
}

impl fmt::Display for Network {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(formatter, "{}/{}", self.address, self.bits)
    }
}

fn number(address: IpAddr) -> u128 {
    match address {
        IpAddr::V4(address) => u128::from(u32::from(address)),
        IpAddr::V6(address) => u128::from(address),
    }
}

/// The address of version 4 that one of version 6 stands for: mapped (RFC 4291, 2.5.5.2), 6to4 (RFC 3056) or
/// translated under the well-known beginning (RFC 6052).
fn embedded(address: Ipv6Addr) -> Option<Ipv4Addr> {
    let parts = address.segments();
    let of = |high: u16, low: u16| Ipv4Addr::from((u32::from(high) << 16) | u32::from(low));
    match parts {
        [0, 0, 0, 0, 0, 0xffff, high, low] | [0x64, 0xff9b, 0, 0, 0, 0, high, low] => {
            Some(of(high, low))
        }
        [0x2002, high, low, ..] => Some(of(high, low)),
        _ => None,
    }
}

/// Why nothing is sent to an address; none when something may be. `allowed` networks are allowed whatever they are for;
/// an address in another form is what it stands for.
pub fn refused(address: IpAddr, allowed: &[Network]) -> Option<&'static str> {
    if allowed.iter().any(|network| network.holds(address)) {
        return None;
    }
    if let IpAddr::V6(six) = address
        && let Some(four) = embedded(six)
    {
        return refused(IpAddr::V4(four), allowed);
    }
    RESERVED.iter().find_map(|(network, what)| {
        let network = Network::parse(network).ok()?;
        network.holds(address).then_some(*what)
    })
}

/// Whether a port is one that events are sent to: that of HTTPS, or one that no common service of another kind has.
pub fn is_usual_port(port: u16) -> bool {
    const OTHERS: [u16; 14] = [
        1433, 1521, 2049, 2375, 2379, 3306, 3389, 5432, 5900, 6379, 9200, 11211, 27017, 50051,
    ];
    port == 443 || (port >= 1024 && !OTHERS.contains(&port))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ip(text: &str) -> IpAddr {
        text.parse().expect("an address")
    }

    #[test]
    fn every_reserved_network_is_written_right() {
        for (network, what) in RESERVED {
            assert!(Network::parse(network).is_ok(), "{network}");
            assert!(!what.is_empty());
        }
    }

    #[test]
    fn addresses_inside_networks_are_refused_and_public_ones_are_not() {
        for address in [
            "0.0.0.0",
            "10.0.0.1",
            "100.64.0.1",
            "127.0.0.1",
            "127.255.255.254",
            "169.254.169.254",
            "172.16.0.1",
            "172.31.255.255",
            "192.0.0.170",
            "192.168.1.1",
            "198.18.0.1",
            "224.0.0.1",
            "239.255.255.250",
            "255.255.255.255",
            "::",
            "::1",
            "::7f00:1",
            "::ffff:127.0.0.1",
            "::ffff:10.0.0.1",
            "::ffff:169.254.169.254",
            "64:ff9b::7f00:1",
            "64:ff9b::a00:1",
            "64:ff9b:1::1",
            "2002:7f00:1::",
            "2002:a00:1::1",
            "2002:c0a8:101::",
            "2001::1",
            "2001:db8::1",
            "fc00::1",
            "fd00:ec2::254",
            "fe80::1",
            "fec0::1",
            "ff02::1",
        ] {
            assert!(refused(ip(address), &[]).is_some(), "{address}");
        }
        for address in [
            "1.1.1.1",
            "9.255.255.255",
            "11.0.0.1",
            "100.128.0.1",
            "172.15.0.1",
            "172.32.0.1",
            "223.255.255.255",
            "2606:4700::1111",
            "2a00:1450:4001::1",
            "::ffff:1.1.1.1",
            "64:ff9b::101:101",
            "2002:101:101::",
        ] {
            assert_eq!(refused(ip(address), &[]), None, "{address}");
        }
    }

    #[test]
    fn what_is_allowed_is_allowed_in_every_form_and_nothing_beside_it() {
        let allowed = [
            Network::parse("127.0.0.0/8").expect("a network"),
            Network::parse("fd12::/16").expect("a network"),
        ];
        for address in ["127.0.0.1", "::ffff:127.0.0.1", "fd12::5"] {
            assert_eq!(refused(ip(address), &allowed), None, "{address}");
        }
        for address in ["10.0.0.1", "::1", "fd13::5", "169.254.169.254"] {
            assert!(refused(ip(address), &allowed).is_some(), "{address}");
        }
    }

    #[test]
    fn networks_are_read_strictly() {
        for wrong in [
            "",
            "10.0.0.0/33",
            "10.0.0.1/8",
            "::/129",
            "x/8",
            "10.0.0.0/-1",
        ] {
            assert!(Network::parse(wrong).is_err(), "{wrong}");
        }
        let all = Network::parse("0.0.0.0/0").expect("a network");
        assert!(all.holds(ip("203.0.113.9")) && !all.holds(ip("::1")));
        assert_eq!(
            Network::parse("fd00::/8").expect("a network").to_string(),
            "fd00::/8"
        );
        assert!(
            Network::parse("192.0.2.7")
                .expect("one")
                .holds(ip("192.0.2.7"))
        );
    }

    #[test]
    fn ports_of_other_services_are_not_usual() {
        assert!(is_usual_port(443) && is_usual_port(8443) && is_usual_port(8080));
        for port in [0, 22, 25, 80, 5432, 6379] {
            assert!(!is_usual_port(port), "{port}");
        }
    }
}
