//! Mail about alerts: what it says, its headers, and how it leaves.
//!
//! A letter is made from the alert as it is when it is sent, not as it was when it was due: nobody is told of
//! what is mended meanwhile.

mod html;
mod letter;
mod message;
mod sending;

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use ringtrue_fleet::alert::Alert;

pub use letter::{Content, Ending, digest, letter};
pub use message::{Envelope, NotAnAddress, address, message, message_id};
pub use sending::{Mailer, Unsent};

/// Something to write about: an alert with the names that people know.
#[derive(Debug, Clone, PartialEq)]
pub struct Matter {
    /// The alert.
    pub alert: Alert,
    /// What people call its site; empty for what the network shares.
    pub site_name: String,
    /// What people call its subject.
    pub subject_name: String,
    /// The zone in which its days and hours are told.
    pub zone: TimeZone,
}

impl Matter {
    /// The place in square brackets before every subject line.
    fn place(&self) -> &str {
        if self.site_name.is_empty() {
            "Network"
        } else {
            &self.site_name
        }
    }

    /// A moment as people at the site read it.
    fn hour(&self, moment: Timestamp) -> String {
        let local = moment.to_zoned(self.zone.clone());
        let zone = self.zone.iana_name().unwrap_or("UTC");
        format!("{} ({zone})", local.strftime("%A, %-d %B %Y, %H:%M"))
    }
}

/// A day with its weekday.
fn long_day(day: Date) -> String {
    day.strftime("%A, %-d %B %Y").to_string()
}

/// A day for subject lines.
fn short_day(day: Date) -> String {
    day.strftime("%-d %b").to_string()
}
