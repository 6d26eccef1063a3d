//! How far an import is: a bar on a terminal, now and then a line elsewhere.

use std::time::Duration;

use tokio::time::Instant;

use crate::failure::Stop;
use crate::session::Session;

/// How often a bar is drawn.
const DRAWN_EVERY: Duration = Duration::from_millis(200);

/// How often a line is written where no terminal is.
const SAID_EVERY: Duration = Duration::from_secs(10);

/// Cells of a bar.
const WIDTH: u64 = 24;

/// How far something is.
pub(crate) struct Progress {
    what: &'static str,
    /// Size of the file, bytes.
    size: u64,
    began: Instant,
    shown: Instant,
    is_bar: bool,
    is_drawn: bool,
}

impl Progress {
    /// Begins.
    pub(crate) fn begun(what: &'static str, size: u64, session: &Session<'_, '_>) -> Self {
        let now = Instant::now();
        Progress {
            what,
            size,
            began: now,
            shown: now,
            is_bar: session.converses(),
            is_drawn: false,
        }
    }

    /// Shows how far it is, when it is time to.
    pub(crate) fn at(
        &mut self,
        rows: u64,
        bytes: u64,
        session: &mut Session<'_, '_>,
    ) -> Result<(), Stop> {
        let every = if self.is_bar { DRAWN_EVERY } else { SAID_EVERY };
        if session.json || self.shown.elapsed() < every {
            return Ok(());
        }
        self.shown = Instant::now();
        let line = line(self.what, rows, bytes, self.size, self.began.elapsed());
        if self.is_bar {
            let bar = bar(bytes, self.size);
            write!(session.world.err, "\r\u{1b}[K{bar} {line}")?;
            session.world.err.flush()?;
            self.is_drawn = true;
            return Ok(());
        }
        session.say(&line)
    }

    /// Takes the bar away.
    pub(crate) fn ended(self, session: &mut Session<'_, '_>) -> Result<Duration, Stop> {
        if self.is_drawn {
            write!(session.world.err, "\r\u{1b}[K")?;
        }
        Ok(self.began.elapsed())
    }
}

fn bar(bytes: u64, size: u64) -> String {
    let filled = (bytes * WIDTH)
        .checked_div(size)
        .unwrap_or(WIDTH)
        .min(WIDTH);
    let mut bar = String::from("[");
    for cell in 0..WIDTH {
        bar.push(if cell < filled { '=' } else { ' ' });
    }
    bar.push(']');
    bar
}

fn line(what: &str, rows: u64, bytes: u64, size: u64, took: Duration) -> String {
    let millis = u64::try_from(took.as_millis()).unwrap_or(u64::MAX).max(1);
    let rate = rows.saturating_mul(1000) / millis;
    let per_cent = (bytes * 100).checked_div(size).unwrap_or(100).min(100);
    let left_s = (millis / 1000)
        .saturating_mul(size.saturating_sub(bytes))
        .checked_div(bytes)
        .unwrap_or(0);
    format!("{what} {rows} records, {per_cent} %, {rate} a second, {left_s} s left")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_tells_share_rate_and_time_left() {
        let told = line("checked", 500, 250, 1000, Duration::from_secs(5));
        assert_eq!(told, "checked 500 records, 25 %, 100 a second, 15 s left");
        assert_eq!(bar(250, 1000).matches('=').count(), 6);
        assert!(line("sent", 0, 0, 0, Duration::ZERO).contains("100 %"));
    }
}
