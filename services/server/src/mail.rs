//! Mail about alerts: what it says, its headers, and how it leaves.
//!
//! A letter is made from the alert as it is when it is sent, not as it was when it was due: nobody is told of
//! what is mended meanwhile.

mod html;
mod letter;
mod message;
mod sending;
mod timing;

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use ringtrue_store::NamedAlert;

pub(crate) use html::Html;
pub use letter::{Content, Ending, digest, letter};
pub use message::{Envelope, NotAnAddress, address, message, message_id};
pub use sending::{Mailer, Unsent};
pub use timing::{is_digest_due, is_news, next_attempt};

/// The place that stands in square brackets before a subject line.
fn place(alert: &NamedAlert) -> &str {
    if alert.site_display_name.is_empty() {
        "Network"
    } else {
        &alert.site_display_name
    }
}

/// A moment as people at the alert's site read it.
fn hour(alert: &NamedAlert, moment: Timestamp) -> String {
    let zone = TimeZone::get(&alert.time_zone).unwrap_or(TimeZone::UTC);
    let name = zone.iana_name().unwrap_or("UTC");
    let local = zone.to_datetime(moment);
    format!("{} ({name})", local.strftime("%A, %-d %B %Y, %H:%M"))
}

/// A day with its weekday.
fn long_day(day: Date) -> String {
    day.strftime("%A, %-d %B %Y").to_string()
}

/// A day for subject lines.
fn short_day(day: Date) -> String {
    day.strftime("%-d %b").to_string()
}
