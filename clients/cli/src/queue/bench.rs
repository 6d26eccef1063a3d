//! Where this computer keeps what waits, and how the line stands in this command.

use std::path::{Path, PathBuf};
use std::time::Instant;

use jiff::fmt::rfc2822::DateTimeParser;
use jiff::{SignedDuration, Timestamp};
use ringtrue_remote::{Contact, Failure};

use super::file::Queue;
use super::known::{Knowable, Known, Seen};
use crate::World;
use crate::connection::Connection;
use crate::failure::Stop;
use crate::profile::Home;

/// A clock that is off by more is told, s.
pub(crate) const OFF_S: i64 = 60;

/// Why a command does without the server.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Cut {
    /// `--offline`.
    Wanted,
    /// No server answered; the words say how that showed.
    Down(String),
    /// An entry about the same thing waits, and goes first.
    Behind(i64),
}

/// What a command knows of queue and line.
#[derive(Debug)]
pub(crate) struct Bench {
    /// Folder of the queue for this server; none where nothing can be kept.
    folder: Option<PathBuf>,
    server: String,
    began: Instant,
    /// Whether this command may be kept in the queue.
    pub(crate) may_wait: bool,
    /// Whether it is kept although this computer cannot check it.
    pub(crate) unchecked: bool,
    /// A change that was on its way when the line failed, so that it may be on record: what came, and its request id.
    pub(crate) unsure: Option<(Box<Failure>, String)>,
    /// Why it does without the server, as far as that showed.
    pub(crate) cut: Option<Cut>,
}

impl Bench {
    /// Finds the folder: one for each profile, one for each address without a profile.
    pub(crate) fn of(connection: &Connection, world: &World<'_>) -> Self {
        let home = Home::found(&world.environment);
        let folder = home.map(|home| {
            let below = match &connection.profile {
                Some(profile) => profile.name.clone(),
                None => format!("_{}", plain(&connection.endpoint)),
            };
            queues(home.path()).join(below)
        });
        Bench {
            folder,
            server: connection.endpoint.clone(),
            began: Instant::now(),
            may_wait: false,
            unchecked: false,
            unsure: None,
            cut: None,
        }
    }

    /// Whether there is a folder to keep anything in.
    pub(crate) fn has_place(&self) -> bool {
        self.folder.is_some()
    }

    /// The queue, when anything was ever kept.
    pub(crate) fn queue(&self) -> Result<Option<Queue>, Stop> {
        match &self.folder {
            Some(folder) => Queue::found(folder),
            None => Ok(None),
        }
    }

    /// The queue, made when there is none.
    pub(crate) fn queue_made(&self) -> Result<Queue, Stop> {
        let folder = self
            .folder
            .as_ref()
            .ok_or_else(crate::connection::no_home)?;
        Queue::made(folder, &self.server)
    }

    /// What this computer knows; none when it knows nothing.
    pub(crate) fn known(&self) -> Option<Known> {
        Known::found(self.folder.as_ref()?)
    }

    /// Keeps what the server just said, where there is a place for it.
    pub(crate) fn learn<T: Knowable>(&self, things: &[T], all_below: Option<&str>, at: Timestamp) {
        if let Some(mut known) = self.folder.as_ref().and_then(|folder| Known::made(folder)) {
            known.keep(things, all_below, at);
        }
    }

    /// All that is known below a name.
    pub(crate) fn recalled<T: Knowable>(&self, prefix: &str) -> Vec<Seen<T>> {
        self.known()
            .map(|known| known.below(prefix))
            .unwrap_or_default()
    }

    /// By how much this computer's clock is ahead of the server's, s, when the server answered just now.
    pub(crate) fn clock_ahead_s(&self, contact: Option<&Contact>, now: Timestamp) -> Option<i64> {
        let contact = contact?;
        let there = DateTimeParser::new().parse_timestamp(&contact.date).ok()?;
        let since = contact.at.into_std().saturating_duration_since(self.began);
        let here = now
            .checked_add(SignedDuration::try_from(since).ok()?)
            .ok()?;
        Some(here.as_second() - there.as_second())
    }

    /// The present moment by this computer's clock, as it was when the command began and has gone on since.
    pub(crate) fn now(&self, then: Timestamp) -> Timestamp {
        let since = SignedDuration::try_from(self.began.elapsed()).unwrap_or_default();
        then.checked_add(since).unwrap_or(then)
    }
}

/// The folder of all queues of a home.
pub(crate) fn queues(home: &Path) -> PathBuf {
    home.join("queues")
}

/// How many entries wait for a profile; none when that cannot be told.
pub(crate) fn waiting_of(home: &Path, profile: &str) -> Option<usize> {
    let queue = Queue::found(&queues(home).join(profile)).ok()??;
    queue.pending_count().ok()
}

/// An address as the name of a folder.
fn plain(address: &str) -> String {
    let fits = |letter: char| letter.is_ascii_alphanumeric() || matches!(letter, '.' | '-');
    address
        .chars()
        .map(|letter| if fits(letter) { letter } else { '_' })
        .collect()
}

/// Says how a line showed to be down.
pub(crate) fn down(failure: &Failure, endpoint: &str) -> String {
    match failure.reason.as_str() {
        "UNREACHABLE" => format!("No server answers at {endpoint}."),
        "DEADLINE" => format!("The server at {endpoint} did not answer in time."),
        _ => format!(
            "The server at {endpoint} cannot answer now: {}.",
            failure.message.trim_end_matches('.')
        ),
    }
}

/// Says that a clock is off; none when it is right enough.
pub(crate) fn clock_words(ahead_s: Option<i64>) -> Option<String> {
    let ahead_s = ahead_s.filter(|ahead_s| ahead_s.abs() > OFF_S)?;
    let side = if ahead_s > 0 { "ahead of" } else { "behind" };
    Some(format!(
        "This computer's clock is {} {side} the server's. Set it right; times typed or taken from it are wrong by as much. \
         Nothing is corrected by itself.",
        span(ahead_s.unsigned_abs())
    ))
}

/// A span of time in its two largest units.
pub(crate) fn span(seconds: u64) -> String {
    let (days, hours) = (seconds / 86_400, seconds / 3600 % 24);
    let (minutes, left) = (seconds / 60 % 60, seconds % 60);
    match (days, hours, minutes) {
        (0, 0, 0) => format!("{left} s"),
        (0, 0, minutes) if minutes < 10 => format!("{minutes} min {left} s"),
        (0, 0, minutes) => format!("{minutes} min"),
        (0, hours, 0) => format!("{hours} h"),
        (0, hours, minutes) => format!("{hours} h {minutes} min"),
        (1, hours, _) => format!("1 day {hours} h"),
        (days, _, _) => format!("{days} days"),
    }
}

/// How long ago a moment was, for people; a clock that went back is not hidden.
pub(crate) fn age(at: Timestamp, now: Timestamp) -> String {
    let seconds = now.duration_since(at).as_secs();
    match u64::try_from(seconds) {
        Ok(seconds) => span(seconds),
        Err(_) => "in the future".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans_are_said_in_their_two_largest_units() {
        for (seconds, said) in [
            (0, "0 s"),
            (59, "59 s"),
            (61, "1 min 1 s"),
            (1800, "30 min"),
            (3600, "1 h"),
            (3780, "1 h 3 min"),
            (90_000, "1 day 1 h"),
            (400_000, "4 days"),
        ] {
            assert_eq!(span(seconds), said);
        }
    }

    #[test]
    fn a_clock_is_told_when_it_is_more_than_a_minute_off() {
        assert_eq!(clock_words(None), None);
        assert_eq!(clock_words(Some(60)), None);
        assert_eq!(clock_words(Some(-60)), None);
        let ahead = clock_words(Some(3780)).expect("more than a minute");
        assert!(ahead.contains("1 h 3 min ahead of the server's"), "{ahead}");
        let behind = clock_words(Some(-61)).expect("more than a minute");
        assert!(behind.contains("1 min 1 s behind the server's"), "{behind}");
    }

    #[test]
    fn the_servers_clock_is_read_from_its_answer() {
        let began = Instant::now();
        let bench = Bench {
            folder: None,
            server: String::new(),
            began,
            may_wait: false,
            unchecked: false,
            unsure: None,
            cut: None,
        };
        let contact = Contact {
            at: tokio::time::Instant::from_std(began),
            date: "Mon, 23 Nov 2026 08:12:00 GMT".to_owned(),
        };
        let now = "2026-11-23T09:15:00Z".parse().expect("a moment");
        assert_eq!(bench.clock_ahead_s(Some(&contact), now), Some(3780));
        assert_eq!(bench.clock_ahead_s(None, now), None);
    }
}
