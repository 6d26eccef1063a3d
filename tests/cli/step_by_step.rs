//! A technician at a terminal: the program asks for everything, says it back, and records after a yes.

use std::io::{Read as _, Write as _};
use std::os::fd::OwnedFd;
use std::process::Stdio;
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

use ringtrue_tests::process::PATIENCE;
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{Winsize, tcsetwinsize};

use crate::workplace::Workplace;

/// The program at a terminal of its own.
struct Terminal {
    child: std::process::Child,
    keys: std::fs::File,
    screen: Receiver<String>,
    seen: String,
    /// Where in `seen` the next words are looked for.
    place: usize,
}

impl Terminal {
    fn of(place: &Workplace, line: &str, plain: bool) -> Self {
        let ours = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).expect("a terminal");
        grantpt(&ours).expect("granted");
        unlockpt(&ours).expect("unlocked");
        let size = Winsize {
            ws_row: 50,
            ws_col: 110,
            ws_xpixel: 0,
            ws_ypixel: 0,
        };
        tcsetwinsize(&ours, size).expect("a size");
        let name = ptsname(&ours, Vec::new())
            .expect("a name")
            .into_string()
            .expect("UTF-8");
        let open = || {
            let theirs = std::fs::OpenOptions::new()
                .read(true)
                .write(true)
                .open(&name);
            Stdio::from(OwnedFd::from(theirs.expect("the other side")))
        };
        let mut command = place.command(line);
        command
            .stdin(open())
            .stdout(open())
            .stderr(open())
            .env("TERM", "xterm");
        if plain {
            command.env("NO_COLOR", "1");
        }
        let child = command.spawn().expect("the program starts");
        drop(command);
        let keys = std::fs::File::from(ours);
        let mut screen = keys.try_clone().expect("a second handle");
        let (sender, receiver) = channel();
        std::thread::spawn(move || {
            let mut bytes = [0; 4096];
            // Reading fails once the program has gone.
            while let Ok(count) = screen.read(&mut bytes) {
                if count == 0
                    || sender
                        .send(String::from_utf8_lossy(&bytes[..count]).into_owned())
                        .is_err()
                {
                    return;
                }
            }
        });
        Self {
            child,
            keys,
            screen: receiver,
            seen: String::new(),
            place: 0,
        }
    }

    /// Waits until some words stand on the screen.
    fn shows(&mut self, words: &str) {
        let end = Instant::now() + PATIENCE;
        loop {
            if let Some(at) = self.seen[self.place..].find(words) {
                self.place += at + words.len();
                return;
            }
            let left = end.saturating_duration_since(Instant::now());
            match self.screen.recv_timeout(left) {
                Ok(more) => self.seen.push_str(&more),
                Err(fault) => {
                    panic!(
                        "`{words}` did not appear ({fault}); on the screen:\n{}",
                        self.seen
                    )
                }
            }
        }
    }

    /// Waits for a question and types the answer.
    fn answers(&mut self, question: &str, answer: &str) {
        self.shows(question);
        self.keys.write_all(answer.as_bytes()).expect("typed");
        self.keys.write_all(b"\r").expect("typed");
    }

    /// Waits for the end and gives the exit code and everything that was shown.
    fn ended(mut self) -> (Option<i32>, String) {
        let status = self.child.wait().expect("it ends");
        while let Ok(more) = self.screen.recv_timeout(Duration::from_millis(200)) {
            self.seen.push_str(&more);
        }
        (status.code(), self.seen)
    }
}

/// Answers everything up to the last question.
fn walk_through(terminal: &mut Terminal) {
    terminal.answers("Which furnace was fired?", "");
    terminal.answers("When did the firing end?", "yesterday 18:00");
    // After the moment of firing, and with nothing offered.
    terminal.answers("What was the controller set to during that firing, °C?", "");
    terminal.answers("Which batch?", "");
    terminal.shows("Gauge caliper-1, the only one in use.");
    terminal.answers("How warm are the rings", "21,5");
    terminal.answers("close the gauge", "0");
    // A diameter typed too early is no place.
    terminal.answers("Where in the chamber", "19,47");
    terminal.shows("looks like a diameter");
    terminal.answers("Where in the chamber", "");
    terminal.answers("Diameter 1", "19,47");
    terminal.shows("19.47 mm taken. Mean of 1: 19.470 mm");
    // A value far from the others is asked for again.
    terminal.answers("Diameter 2", "19.74");
    terminal.shows("type it again");
    terminal.answers("Diameter 2", "19.46");
    terminal.shows("Mean of 2: 19.465 mm");
    terminal.answers("Diameter 3", "19.48");
    terminal.shows("Mean of 3: 19.470 mm");
    terminal.answers("Diameter 4", "");
    terminal.answers("Number on the centre ring", "A12");
    // A further ring that is none after all.
    terminal.answers("Another ring", "left");
    terminal.answers("Diameter 1 of the left ring", "");
    terminal.shows("No left ring, then.");
}

#[test]
fn a_reading_is_taken_step_by_step_and_recorded_after_a_yes() {
    let place = Workplace::furnished();
    let mut terminal = Terminal::of(&place, "reading add", true);
    walk_through(&mut terminal);
    terminal.answers("Record this?", "y");
    let (code, seen) = terminal.ended();
    assert_eq!(code, Some(0), "{seen}");
    assert!(seen.contains("ENTER 1481 °C"), "{seen}");
    assert!(seen.contains("Recorded as"), "{seen}");
    assert!(
        !seen.contains("\u{1b}[1;"),
        "NO_COLOR is honoured: {seen:?}"
    );
    assert_eq!(place.readings(), 1);
}

#[test]
fn an_empty_setpoint_is_the_one_of_the_firing_not_todays() {
    let place = Workplace::furnished();
    place.said("adjustment confirm k2 --setpoint 1481").done();
    let mut terminal = Terminal::of(&place, "reading add", true);
    walk_through(&mut terminal);
    terminal.shows("1500 °C, in force at the firing");
    terminal.answers("Record this?", "y");
    let (code, seen) = terminal.ended();
    assert_eq!(code, Some(0), "{seen}");
    let shown = place.said("reading show --furnace k2 --json").done();
    let reading: serde_json::Value = serde_json::from_str(&shown).expect("JSON");
    assert_eq!(reading["setpointC"], 1500.0);
    assert_eq!(reading["rings"]["ringTemperatureC"], 21.5);
    assert_eq!(reading["rings"]["rings"][0]["serialNumber"], "A12");
}

#[test]
fn a_no_at_the_end_records_nothing() {
    let place = Workplace::furnished();
    let mut terminal = Terminal::of(&place, "reading add", false);
    walk_through(&mut terminal);
    terminal.answers("Record this?", "n");
    let (code, seen) = terminal.ended();
    assert_eq!(code, Some(1), "{seen}");
    assert!(seen.contains("Stopped. Nothing was changed."), "{seen}");
    assert_eq!(place.readings(), 0);
}

#[test]
fn the_advice_is_coloured_at_a_terminal_that_takes_colour() {
    let place = Workplace::furnished();
    let terminal = Terminal::of(&place, "cautions", false);
    let (code, seen) = terminal.ended();
    assert_eq!(code, Some(0));
    assert!(seen.contains("\u{1b}["), "{seen:?}");
    let terminal = Terminal::of(&place, "cautions", true);
    let (_, seen) = terminal.ended();
    assert!(!seen.contains("\u{1b}["), "{seen:?}");
}
