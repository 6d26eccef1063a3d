//! The settings of what leaves the server by itself: pages, calendar feeds and mail.

use std::fmt;
use std::net::SocketAddr;

use lettre::message::Mailbox;

use super::layers::Given;
use super::tls::{Tls, check_reach, is_loopback};
use super::{within, without_secrets};

/// What is served over HTTP beside the gRPC interface: the same interface as REST, pages and calendar feeds.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Http {
    /// The address and port to serve them on; none for not at all. Without [`Tls`] only addresses of this
    /// machine itself are accepted.
    pub listen: Option<SocketAddr>,
    /// Whether they are encrypted on an address of this machine itself too; beyond it they always are.
    pub tls: bool,
    /// How that address is reached from outside, such as `https://ringtrue.example.org`, without a slash at
    /// the end; none when nobody said.
    pub public_url: Option<String>,
    /// Origins whose web pages may call the interface as REST, such as `https://lab.example.org`; none by default.
    pub allowed_origins: Vec<String>,
}

/// How mail goes out.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mail {
    /// The mail server; no mail is sent while unset.
    pub host: Option<String>,
    /// Its port.
    pub port: u16,
    /// How the connection is encrypted.
    pub tls: MailTls,
    /// The name to log in with; none for not logging in.
    pub username: Option<String>,
    /// The password that belongs to it.
    pub password: Secret,
    /// Whom mail comes from, such as `Ringtrue <ringtrue@example.org>`.
    pub from: String,
    /// How long sending one mail may take, in seconds.
    pub timeout_s: u64,
}

/// How a connection to the mail server is encrypted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MailTls {
    /// Encrypted after a greeting (RFC 3207); refused when the server cannot.
    StartTls,
    /// Encrypted from the first byte (RFC 8314).
    Implicit,
    /// Not at all; only to this machine itself.
    None,
}

/// A text that is shown nowhere.
#[derive(Clone, PartialEq, Eq, Default)]
pub struct Secret(String);

impl Secret {
    /// Keeps a text.
    pub fn new(text: impl Into<String>) -> Self {
        Self(text.into())
    }

    /// Gives the text to what must have it.
    pub fn reveal(&self) -> &str {
        &self.0
    }

    /// Says whether there is none.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(if self.0.is_empty() { "\"\"" } else { "***" })
    }
}

impl MailTls {
    const ALL: [Self; 3] = [Self::StartTls, Self::Implicit, Self::None];

    /// The word in settings.
    pub fn word(self) -> &'static str {
        match self {
            Self::StartTls => "starttls",
            Self::Implicit => "implicit",
            Self::None => "none",
        }
    }

    /// The one of a word.
    pub fn parse(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|tls| tls.word() == word)
    }
}

impl Default for Mail {
    fn default() -> Self {
        Self {
            host: None,
            port: 587,
            tls: MailTls::StartTls,
            username: None,
            password: Secret::default(),
            from: String::new(),
            timeout_s: 20,
        }
    }
}

impl Http {
    pub(super) fn given(given: &mut Given) -> Self {
        let public_url = given
            .optional_text("http.public_url")
            .map(|url| url.trim_end_matches('/').to_owned());
        Self {
            listen: given.address("http.listen", "127.0.0.1:7146"),
            tls: given.truth("http.tls", false),
            public_url,
            allowed_origins: given.texts("http.allowed_origins"),
        }
    }

    /// Says whether they are encrypted, with these settings of encryption.
    pub fn is_encrypted(&self, tls: &Tls) -> bool {
        let is_beyond = self.listen.is_some_and(|listen| !is_loopback(listen));
        tls.is_set() && (self.tls || is_beyond)
    }

    pub(super) fn check(&self, tls: &Tls, faults: &mut Vec<String>) {
        if let Some(listen) = self.listen {
            check_reach("http.listen", listen, tls, faults);
        }
        if self.tls && !tls.is_set() {
            faults.push(
                "http.tls = true needs a certificate: set tls.certificate and tls.key".to_owned(),
            );
        }
        for origin in &self.allowed_origins {
            if !is_origin(origin) {
                faults.push(format!(
                    "http.allowed_origins: {} is no origin: write https:// and a name in lower case, with a port where \
                     it has one and nothing behind it, such as https://lab.example.org",
                    without_secrets(origin)
                ));
            }
        }
        let Some(url) = &self.public_url else {
            return;
        };
        if !is_base_url(url) {
            faults.push(format!(
                "http.public_url = {} cannot be used in links: write https:// and a name, such as \
                 https://ringtrue.example.org",
                without_secrets(url)
            ));
        } else if self.listen.is_none() {
            faults.push(format!(
                "http.public_url = {url} leads nowhere while http.listen is empty: set http.listen, such \
                 as 127.0.0.1:7146"
            ));
        }
    }

    pub(super) fn effective(&self) -> String {
        let listen = self.listen.map(|listen| listen.to_string());
        let url = self.public_url.as_deref().unwrap_or_default();
        format!(
            "\n[http]\nlisten = {:?}\ntls = {}\npublic_url = {:?}\nallowed_origins = {:?}",
            listen.unwrap_or_default(),
            self.tls,
            without_secrets(url),
            self.allowed_origins
        )
    }
}

impl Mail {
    pub(super) fn given(given: &mut Given) -> Self {
        let default = Self::default();
        let port = given.whole("mail.port", default.port.into());
        Self {
            host: given.optional_text("mail.host"),
            port: u16::try_from(port).unwrap_or(0),
            tls: given.mail_tls(default.tls),
            username: given.optional_text("mail.username"),
            password: Secret(given.secret("mail.password").unwrap_or_default()),
            from: given.text("mail.from", default.from),
            timeout_s: given.whole("mail.timeout_s", default.timeout_s),
        }
    }

    pub(super) fn check(&self, faults: &mut Vec<String>) {
        if self.port == 0 {
            faults.push(
                "mail.port is out of range: write 1 to 65535, usually 587 or, with mail.tls = implicit, 465"
                    .to_owned(),
            );
        }
        within("mail.timeout_s", self.timeout_s, 1, 300, "seconds", faults);
        let Some(host) = &self.host else {
            return;
        };
        let is_name = host
            .bytes()
            .all(|byte| byte.is_ascii_alphanumeric() || b".-:".contains(&byte));
        if !is_name {
            faults.push(format!(
                "mail.host = {} is not a host: write a name or an address alone, such as mail.example.org",
                without_secrets(host)
            ));
        }
        if self.tls == MailTls::None && !is_this_machine(host) {
            faults.push(format!(
                "mail.tls = none would send mail to {host} without encryption; write starttls or implicit, \
                 or use a mail server on this machine"
            ));
        }
        if self.from.trim().is_empty() {
            faults.push(
                "mail.from is empty: write whom mail comes from, such as \"Ringtrue <ringtrue@example.org>\""
                    .to_owned(),
            );
        } else if let Err(cause) = self.from.parse::<Mailbox>() {
            faults.push(format!(
                "mail.from = {} is not an address ({cause}): write one such as \"Ringtrue \
                 <ringtrue@example.org>\"",
                self.from.escape_debug()
            ));
        }
        if self.username.is_some() == self.password.is_empty() {
            faults.push(
                "mail.username and mail.password belong together: set both, the password as \
                 RINGTRUE_SERVER__MAIL__PASSWORD, or none"
                    .to_owned(),
            );
        }
    }

    pub(super) fn effective(&self) -> String {
        let password = if self.password.is_empty() {
            "password = \"\"".to_owned()
        } else {
            "# password = \"***\" from RINGTRUE_SERVER__MAIL__PASSWORD".to_owned()
        };
        let lines = [
            "\n[mail]".to_owned(),
            format!("host = {:?}", self.host.as_deref().unwrap_or_default()),
            format!("port = {}", self.port),
            format!("tls = {:?}", self.tls.word()),
            format!(
                "username = {:?}",
                self.username.as_deref().unwrap_or_default()
            ),
            password,
            format!("from = {:?}", self.from),
            format!("timeout_s = {}\n", self.timeout_s),
        ];
        lines.join("\n")
    }
}

/// Says whether a host is this machine itself, whatever its name service says.
fn is_this_machine(host: &str) -> bool {
    host == "localhost"
        || host
            .parse::<std::net::IpAddr>()
            .is_ok_and(|address| address.to_canonical().is_loopback())
}

/// Says whether a text is an origin as browsers write it (RFC 6454, section 6.2).
fn is_origin(text: &str) -> bool {
    is_base_url(text)
        && text == text.to_ascii_lowercase()
        && text
            .split_once("://")
            .is_some_and(|(_, name)| !name.is_empty() && !name.contains(['/', '*']))
}

/// Says whether links can begin with an address: a scheme, a host, perhaps a path, nothing else.
fn is_base_url(url: &str) -> bool {
    let Ok(uri) = url.parse::<http::Uri>() else {
        return false;
    };
    matches!(uri.scheme_str(), Some("http" | "https"))
        && uri
            .authority()
            .is_some_and(|authority| !authority.as_str().contains('@'))
        && uri.query().is_none()
        && !url.contains('#')
}
