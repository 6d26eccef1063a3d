//! How mail leaves: one connection for each, never longer than it was given.

use std::time::Duration;

use anyhow::Context as _;
use lettre::message::Mailbox;
use lettre::transport::smtp::authentication::Credentials;
use lettre::transport::smtp::client::{Tls, TlsParameters};
use lettre::transport::smtp::response::Category;
use lettre::{AsyncSmtpTransport, AsyncTransport as _, Message, Tokio1Executor};

use crate::config::{MailTls, Settings};

/// Longest that is kept of what a mail server said, characters.
const LONGEST_REPLY: usize = 300;

/// The way to the mail server, and what mails say of this server.
#[derive(Debug, Clone)]
pub struct Mailer {
    transport: AsyncSmtpTransport<Tokio1Executor>,
    timeout: Duration,
    /// Whom mail comes from.
    pub from: Mailbox,
    /// Where links lead; none when the server does not know its own address.
    pub public_url: Option<String>,
}

/// Why a mail did not leave, in the mail server's words where it had any.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Unsent {
    /// It may leave later.
    Later(String),
    /// The mail server will never take it.
    Never(String),
}

impl Mailer {
    /// Gives the way that the settings name; none when they name no mail server.
    ///
    /// Fails when the certificates that this machine trusts cannot be read.
    pub fn of(settings: &Settings) -> anyhow::Result<Option<Self>> {
        let mail = &settings.mail;
        let Some(host) = &mail.host else {
            return Ok(None);
        };
        let timeout = Duration::from_secs(mail.timeout_s);
        let tls = match mail.tls {
            MailTls::None => Tls::None,
            MailTls::StartTls => Tls::Required(parameters(host)?),
            MailTls::Implicit => Tls::Wrapper(parameters(host)?),
        };
        let mut builder = AsyncSmtpTransport::<Tokio1Executor>::builder_dangerous(host)
            .port(mail.port)
            .tls(tls)
            .timeout(Some(timeout));
        if let Some(username) = &mail.username {
            let password = mail.password.reveal().to_owned();
            builder = builder.credentials(Credentials::new(username.clone(), password));
        }
        Ok(Some(Self {
            transport: builder.build(),
            timeout,
            from: mail.from.parse().context("mail.from")?,
            public_url: settings.http.public_url.clone(),
        }))
    }

    /// The longest that sending one mail takes.
    pub fn timeout(&self) -> Duration {
        self.timeout
    }

    /// The link that ends a subscription, where links lead anywhere.
    pub fn unsubscribe_url(&self, secret: &str) -> Option<String> {
        let base = self.public_url.as_ref()?;
        Some(format!("{base}/unsubscribe/{secret}"))
    }

    /// Sends a mail. Once this is [`Ok`] the mail server has taken it over.
    pub async fn send(&self, message: Message) -> Result<(), Unsent> {
        // The library bounds connecting only; a server that falls silent later must not hold the work up.
        match tokio::time::timeout(self.timeout, self.transport.send(message)).await {
            Ok(Ok(_)) => Ok(()),
            Ok(Err(fault)) => {
                let said = shortened(&fault.to_string());
                if is_final(&fault) {
                    Err(Unsent::Never(said))
                } else {
                    Err(Unsent::Later(said))
                }
            }
            Err(_) => Err(Unsent::Later(format!(
                "the mail server did not answer within {} s",
                self.timeout.as_secs()
            ))),
        }
    }
}

fn parameters(host: &str) -> anyhow::Result<TlsParameters> {
    TlsParameters::new(host.to_owned())
        .context("reading the certificates that this machine trusts, for mail.tls")
}

/// Whether trying again is of no use: a reply of 5yz (RFC 5321, 4.2.1). Not one about logging in (RFC 4954,
/// section 6): a person mends the password, and the mail is still wanted then.
fn is_final(fault: &lettre::transport::smtp::Error) -> bool {
    fault.is_permanent()
        && fault
            .status()
            .is_some_and(|code| code.category != Category::Unspecified3)
}

fn shortened(words: &str) -> String {
    words
        .chars()
        .map(|letter| if letter.is_control() { ' ' } else { letter })
        .take(LONGEST_REPLY)
        .collect()
}
