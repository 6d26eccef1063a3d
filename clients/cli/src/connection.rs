//! Which server is meant, and what proves who asks: from flags, environment and the chosen profile.
//!
//! A stored token goes to the server of its profile and to no other. Without any profile nothing is proved and the
//! server on this computer is meant.

use std::net::IpAddr;

use ringtrue_remote::{Code, DEFAULT_ENDPOINT, Failure, Token};

use crate::World;
use crate::failure::Stop;
use crate::profile::{Home, Profile};

/// What the command line says about the server.
#[derive(Debug, Clone, Default)]
pub(crate) struct Said {
    /// `--profile`.
    pub(crate) profile: Option<String>,
    /// `--endpoint`.
    pub(crate) endpoint: Option<String>,
    /// `--site`, as often as given.
    pub(crate) sites: Vec<String>,
    /// `--operator`.
    pub(crate) operator: Option<String>,
}

/// Where a token comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Source {
    /// There is none.
    Nowhere,
    /// `RINGTRUE_TOKEN`.
    Environment,
    /// The profile.
    Stored,
}

/// A server and what proves who asks there.
#[derive(Debug, Clone)]
pub(crate) struct Connection {
    /// Address of the server.
    pub(crate) endpoint: String,
    /// Site meant when none is named.
    pub(crate) site: Option<String>,
    /// Staff code.
    pub(crate) operator: Option<String>,
    /// The profile of this server.
    pub(crate) profile: Option<Profile>,
    /// The token.
    pub(crate) token: Option<Token>,
    /// Where the token comes from.
    pub(crate) source: Source,
    /// Certificate by which the server is known, PEM.
    pub(crate) authority: Option<String>,
    /// The client's own certificate and key, PEM.
    pub(crate) identity: Option<String>,
    /// A chosen profile that is not used, because another server is meant.
    passed_over: Option<String>,
}

impl Connection {
    /// A connection to an address without anything to prove who asks.
    pub(crate) fn bare(endpoint: &str) -> Self {
        Connection {
            endpoint: endpoint.to_owned(),
            site: None,
            operator: None,
            profile: None,
            token: None,
            source: Source::Nowhere,
            authority: None,
            identity: None,
            passed_over: None,
        }
    }

    /// Finds what is meant.
    ///
    /// # Errors
    /// [`Stop`] when a profile is not there, is for another server, or its files are not to be trusted.
    pub(crate) fn meant(said: &Said, world: &World<'_>) -> Result<Self, Stop> {
        let variable = |name: &str| {
            let value = world.environment.get(name)?;
            (!value.trim().is_empty()).then(|| value.trim().to_owned())
        };
        let home = Home::found(&world.environment);
        let named = said.profile.clone();
        let chosen = match (&named, variable("RINGTRUE_PROFILE"), &home) {
            (Some(named), _, _) => Some(named.clone()),
            (None, Some(named), _) => Some(named),
            (None, None, Some(home)) => home.current()?,
            (None, None, None) => None,
        };
        let profile = match (&chosen, &home) {
            (Some(chosen), Some(home)) => Some(known(home, chosen)?),
            (Some(_), None) => return Err(no_home()),
            (None, _) => None,
        };
        // An address in the environment counts less than a profile named on the command line.
        let address = match (&said.endpoint, &named) {
            (Some(address), _) => Some(address.clone()),
            (None, None) => variable("RINGTRUE_ENDPOINT"),
            (None, Some(_)) => None,
        };
        let mut connection = match (address, profile) {
            (Some(address), Some(profile)) if same_server(&address, profile.endpoint()) => {
                Self::of(profile)?
            }
            (Some(address), Some(profile)) => {
                if named.is_some() {
                    return Err(Stop::Usage(format!(
                        "Profile {} is for {}, not for {address}; its token goes nowhere else. Leave one of \
                         --profile and --endpoint out.",
                        profile.name,
                        profile.endpoint()
                    )));
                }
                Connection {
                    passed_over: Some(profile.name),
                    ..Self::bare(&address)
                }
            }
            (None, Some(profile)) => Self::of(profile)?,
            (Some(address), None) => Self::bare(&address),
            (None, None) => Self::bare(DEFAULT_ENDPOINT),
        };
        if let Some(text) = variable("RINGTRUE_TOKEN") {
            let token = Token::parse(&text)
                .map_err(|fault| Stop::Usage(format!("RINGTRUE_TOKEN is set, but {fault}.")))?;
            connection.token = Some(token);
            connection.source = Source::Environment;
        }
        if connection.token.is_some() && !is_private(&connection.endpoint) {
            return Err(Stop::Refused(format!(
                "{} is not encrypted, so that anybody on the way could read the token; it was not sent. Use the \
                 server's https:// address.",
                connection.endpoint
            )));
        }
        let site = match said.sites.as_slice() {
            [] => variable("RINGTRUE_SITE"),
            [site] => Some(site.clone()).filter(|site| !site.trim().is_empty()),
            _ => None,
        };
        connection.site = site.or(connection.site);
        let operator = said.operator.clone().filter(|code| !code.trim().is_empty());
        let operator = operator.or_else(|| variable("RINGTRUE_OPERATOR"));
        connection.operator = operator.or(connection.operator);
        Ok(connection)
    }

    /// A connection as a profile says.
    pub(crate) fn of(profile: Profile) -> Result<Self, Stop> {
        let token = profile.token()?;
        Ok(Connection {
            endpoint: profile.endpoint().to_owned(),
            site: profile.site().map(str::to_owned),
            operator: profile.operator().map(str::to_owned),
            source: if token.is_some() {
                Source::Stored
            } else {
                Source::Nowhere
            },
            token,
            authority: profile.authority()?,
            identity: profile.identity()?,
            profile: Some(profile),
            passed_over: None,
        })
    }

    /// What to do next when the server does not know who asks, or does not let them; nothing else is answered.
    pub(crate) fn advice(&self, failure: &Failure) -> Option<String> {
        match failure.code {
            Code::PermissionDenied => {
                Some("`ringtrue whoami` tells what you may do, and where.".to_owned())
            }
            // A code that cannot be used says what to do by itself.
            Code::Unauthenticated if failure.reason != "CODE_UNUSABLE" => Some(self.unknown()),
            _ => None,
        }
    }

    fn unknown(&self) -> String {
        let endpoint = &self.endpoint;
        let anew = "Ask whoever keeps access there for a new code, then";
        match (self.source, &self.profile) {
            (Source::Environment, _) => {
                "The token in RINGTRUE_TOKEN is not taken: it may have ended, been rotated or been revoked. Ask \
                 whoever keeps access for a new one."
                    .to_owned()
            }
            (Source::Stored, Some(profile)) => {
                let name = &profile.name;
                // A watch may have begun long ago.
                if matches!(profile.token(), Ok(Some(token)) if self.token.as_ref() != Some(&token))
                {
                    return format!(
                        "The credential of profile {name} was renewed meanwhile. Run the same command again; it takes the \
                         new one."
                    );
                }
                if matches!(profile.next_token(), Ok(Some(_))) {
                    return format!(
                        "A rotation of the credential of profile {name} was not finished. `ringtrue credential rotate \
                         --profile {name}` finishes it."
                    );
                }
                format!(
                    "The credential of profile {name} is not taken: it may have ended, been rotated elsewhere or been \
                     revoked. {anew} `ringtrue enrol {endpoint} --profile {name}`."
                )
            }
            (Source::Nowhere, Some(profile)) if self.identity.is_some() => format!(
                "The client certificate of profile {} is not taken: no credential names it, or it is over. Ask whoever \
                 keeps access there.",
                profile.name
            ),
            _ => {
                let other = self.passed_over.as_ref().map(|name| {
                    format!(" Profile {name} is for another server; its credential was not sent.")
                });
                format!(
                    "This computer has no credential for {endpoint}.{} Ask whoever keeps access there for a code, then \
                     `ringtrue enrol {endpoint}`.",
                    other.unwrap_or_default()
                )
            }
        }
    }
}

/// A profile that must be there.
fn known(home: &Home, name: &str) -> Result<Profile, Stop> {
    let profile = home.profile(name)?;
    if profile.endpoint().is_empty() {
        return Err(Stop::Missing(format!(
            "There is no profile {name} on this computer. `ringtrue profile list` shows those there are; \
             `ringtrue enrol URL --profile {name}` makes it."
        )));
    }
    Ok(profile)
}

/// Why nothing can be kept.
pub(crate) fn no_home() -> Stop {
    Stop::Usage(
        "There is no folder to keep profiles in. Set RINGTRUE_HOME to one that is yours alone."
            .to_owned(),
    )
}

/// An address taken apart: scheme, host, port.
fn parts(address: &str) -> Option<(String, String, u16)> {
    let (scheme, rest) = address.trim().split_once("://")?;
    let scheme = scheme.to_ascii_lowercase();
    let usual = match scheme.as_str() {
        "http" => 80,
        "https" => 443,
        _ => return None,
    };
    let rest = rest.strip_suffix('/').unwrap_or(rest);
    if rest.is_empty() || rest.contains(['/', '@', '?', '#', ' ']) {
        return None;
    }
    let (host, port) = match rest.rsplit_once(':') {
        // A colon inside brackets belongs to the host.
        Some((host, port)) if !port.contains(']') => (host, port.parse().ok()?),
        _ => (rest, usual),
    };
    let is_host = !host.is_empty() && (host.starts_with('[') || !host.contains(':'));
    is_host.then(|| (scheme, host.to_ascii_lowercase(), port))
}

/// Whether two addresses are those of one server.
pub(crate) fn same_server(one: &str, other: &str) -> bool {
    match (parts(one), parts(other)) {
        (Some(one), Some(other)) => one == other,
        _ => one == other,
    }
}

/// Whether nobody on the way can read what goes to an address: it is encrypted, or stays on this computer.
pub(crate) fn is_private(address: &str) -> bool {
    is_encrypted(address) || is_here(address)
}

/// Whether the connection to an address is encrypted.
pub(crate) fn is_encrypted(address: &str) -> bool {
    parts(address).is_some_and(|(scheme, _, _)| scheme == "https")
}

/// Whether an address is of this computer.
pub(crate) fn is_here(address: &str) -> bool {
    let Some((_, host, _)) = parts(address) else {
        return false;
    };
    let bare = host.trim_start_matches('[').trim_end_matches(']');
    host == "localhost" || bare.parse::<IpAddr>().is_ok_and(|ip| ip.is_loopback())
}

/// The address of a server as it is kept: no slash at its end.
///
/// # Errors
/// A sentence for the person when it is none, or would send secrets in the open.
pub(crate) fn address(text: &str) -> Result<String, String> {
    let text = text.trim();
    if parts(text).is_none() {
        return Err(format!(
            "`{text}` is not an address of a server; write it like https://ringtrue.example:7145"
        ));
    }
    if !is_private(text) {
        return Err(format!(
            "{text} is not encrypted; http:// is for the server on this very computer. Use its https:// address"
        ));
    }
    Ok(text.strip_suffix('/').unwrap_or(text).to_owned())
}

/// The host of an address, without its port.
pub(crate) fn host(address: &str) -> Option<String> {
    parts(address).map(|(_, host, _)| host)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_server_has_one_address_however_it_is_written() {
        for (one, other) in [
            ("https://Lab.example", "https://lab.example:443/"),
            ("http://127.0.0.1:7145", "HTTP://127.0.0.1:7145/"),
            ("https://[::1]:7145", "https://[::1]:7145"),
        ] {
            assert!(same_server(one, other), "{one} {other}");
        }
        for (one, other) in [
            ("https://lab.example", "http://lab.example"),
            ("https://lab.example", "https://lab.example:7145"),
            ("https://lab.example", "https://lab.example.evil.example"),
            ("https://lab.example", "https://lab.example@evil.example"),
        ] {
            assert!(!same_server(one, other), "{one} {other}");
        }
    }

    #[test]
    fn only_encrypted_addresses_and_those_of_this_computer_are_private() {
        for good in [
            "https://lab.example",
            "http://localhost:7145",
            "http://127.9.0.1:1",
            "http://[::1]:7145",
        ] {
            assert!(is_private(good), "{good}");
            assert!(address(good).is_ok(), "{good}");
        }
        for bad in [
            "http://lab.example",
            "http://localhost.example:7145",
            "http://127.0.0.1.example",
            "http://127.0.0.1@lab.example",
            "ftp://localhost",
            "lab.example",
            "https://",
            "https://:7145",
            "https://lab.example:port",
            "https://lab.example/path",
        ] {
            assert!(address(bad).is_err(), "{bad}");
        }
        assert_eq!(
            host("https://Lab.example:7145").as_deref(),
            Some("lab.example")
        );
        assert_eq!(
            address(" https://lab.example/ ").as_deref(),
            Ok("https://lab.example")
        );
    }
}
