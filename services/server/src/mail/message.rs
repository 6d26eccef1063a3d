//! A mail with its headers (RFC 5322), as it goes to the mail server.

use std::time::{Duration, SystemTime};

use data_encoding::HEXLOWER;
use jiff::Timestamp;
use lettre::message::header::{ContentType, HeaderName, HeaderValue};
use lettre::message::{Mailbox, MessageBuilder, MultiPart, MultiPartKind, SinglePart};
use lettre::{Address, Message};
use ringtrue_fleet::key::SubscriptionId;
use sha2::{Digest as _, Sha256};

use super::letter::Content;

/// Longest address that is taken (RFC 5321, 4.5.3.1.3: 256 octets with the angle brackets).
const LONGEST_ADDRESS: usize = 254;

/// Whom a mail is from and to, and what tells it apart.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Envelope<'a> {
    /// Whom it comes from.
    pub from: &'a Mailbox,
    /// Whom it is for.
    pub to: &'a Address,
    /// What tells it apart, from [`message_id`].
    pub message_id: &'a str,
    /// The link that ends the subscription.
    pub unsubscribe: Option<&'a str>,
    /// When it is sent.
    pub now: Timestamp,
}

/// A text is no address that mail can go to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error(
    "is not an address that mail can go to; send one such as lab@example.org, without a name around it"
)]
pub struct NotAnAddress;

/// Reads an address: a bare mailbox in ASCII letters, at a domain that is written out.
///
/// An international domain is taken in its ASCII form only (`xn--`), and an international mailbox not at all:
/// whether a mail server on the way knows RFC 6531 is not known before it fails.
pub fn address(text: &str) -> Result<Address, NotAnAddress> {
    let plain = text.len() <= LONGEST_ADDRESS
        && text.bytes().all(|byte| byte.is_ascii_graphic())
        && !text.contains(['"', '<', '>', ',', ';', '(', ')', '\\', '[', ']']);
    if !plain {
        return Err(NotAnAddress);
    }
    text.parse().map_err(|_| NotAnAddress)
}

/// What tells a mail apart: the same for every attempt to send it, so that a mail server or a reader that got
/// it before a crash can tell.
pub fn message_id(subscription: &SubscriptionId, topic: &str, from: &Mailbox) -> String {
    let mut digest = Sha256::new();
    digest.update(subscription.as_str());
    digest.update([0]);
    digest.update(topic);
    let digest = HEXLOWER.encode(&digest.finalize()[..16]);
    format!("<{digest}@{}>", from.email.domain())
}

/// Gives the mail; fails only when the envelope cannot be written.
pub fn message(
    content: &Content,
    envelope: &Envelope<'_>,
) -> Result<Message, lettre::error::Error> {
    let builder = Message::builder()
        .from(envelope.from.clone())
        .to(Mailbox::new(None, envelope.to.clone()))
        .subject(one_line(&content.subject))
        .date(moment(envelope.now))
        .message_id(Some(envelope.message_id.to_owned()));
    // RFC 3834: no absence note answers a machine.
    let mut builder = raw(builder, "Auto-Submitted", "auto-generated");
    if let Some(url) = envelope.unsubscribe {
        builder = raw(builder, "List-Unsubscribe", &format!("<{url}>"));
        // RFC 8058 knows the one click for https only.
        if url.starts_with("https://") {
            builder = raw(
                builder,
                "List-Unsubscribe-Post",
                "List-Unsubscribe=One-Click",
            );
        }
    }
    let digest = Sha256::digest(envelope.message_id.as_bytes());
    let part = |kind, words: &str| {
        SinglePart::builder()
            .header(kind)
            .body(words.replace('\r', ""))
    };
    let parts = MultiPart::builder()
        .kind(MultiPartKind::Alternative)
        // From the id, so that a repeat is the same to the byte.
        .boundary(HEXLOWER.encode(&digest[..16]))
        .singlepart(part(ContentType::TEXT_PLAIN, &content.text))
        .singlepart(part(ContentType::TEXT_HTML, &content.html));
    builder.multipart(parts)
}

fn moment(now: Timestamp) -> SystemTime {
    let seconds = u64::try_from(now.as_second()).unwrap_or(0);
    SystemTime::UNIX_EPOCH + Duration::from_secs(seconds)
}

/// Adds a header that the library has no type for; its value is ASCII and short of a line's limit (RFC 5322,
/// 2.1.1), and is not folded: some readers do not unfold links.
fn raw(builder: MessageBuilder, name: &'static str, value: &str) -> MessageBuilder {
    let name = HeaderName::new_from_ascii_str(name);
    let value = one_line(value);
    builder.raw_header(HeaderValue::dangerous_new_pre_encoded(
        name,
        value.clone(),
        value,
    ))
}

/// A text as one line: what people wrote never begins a header of its own.
fn one_line(text: &str) -> String {
    let words: Vec<&str> = text
        .split(|letter: char| letter.is_control() || letter.is_whitespace())
        .filter(|word| !word.is_empty())
        .collect();
    words.join(" ")
}

#[cfg(test)]
mod tests;
