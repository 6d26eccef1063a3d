//! The command line of Ringtrue, for technicians at the furnace and for quality control.
//!
//! [`run`] is the whole program with its surroundings passed in, so that a test can be the terminal,
//! the clock and the environment. Results go to `out`, everything said meanwhile to `err`.

mod adjustment;
mod alert;
mod audit;
mod batch;
mod bulk;
mod care;
mod cautions;
mod change;
mod chart;
mod command;
mod connection;
mod credential;
mod day;
mod due;
mod enrol;
mod exposure;
mod failure;
mod feed;
mod firing;
mod fitness;
mod furnace;
mod gauge;
mod group;
mod history;
mod mail;
mod moment;
mod names;
mod output;
mod profile;
mod programme;
mod qc;
mod quantity;
mod queue;
mod reading;
mod rule;
mod session;
mod sign_off;
mod site;
mod span;
mod standing;
mod term;
mod watch;
mod webhook;
mod whoami;
mod words;
mod work;

use std::collections::BTreeMap;
use std::ffi::OsString;
use std::io::{IsTerminal as _, Write};
use std::process::ExitCode;

use jiff::Timestamp;

pub use failure::exit;
pub use term::{Conversation, Left};

/// Everything outside the program that it looks at or speaks to.
pub struct World<'a> {
    /// Where results go.
    pub out: &'a mut dyn Write,
    /// Where progress, questions of the moment and warnings go.
    pub err: &'a mut dyn Write,
    /// Somebody who can be asked; none when nobody sits at a terminal.
    pub conversation: Option<&'a mut dyn Conversation>,
    /// The present moment.
    pub now: Timestamp,
    /// Environment variables by name.
    pub environment: BTreeMap<String, String>,
    /// Width of the output, characters.
    pub columns: u16,
    /// Whether the output may be coloured. Colour never carries meaning alone.
    pub colour: bool,
}

/// Runs one command line, the program's own name first, and gives its exit code (see [`exit`]).
pub fn run(arguments: Vec<OsString>, world: &mut World<'_>) -> u8 {
    command::run(arguments, world)
}

/// Runs the command line of this process in its own terminal and environment.
#[expect(
    clippy::disallowed_methods,
    reason = "the one place of the program that reads the clock and the environment"
)]
pub fn run_here() -> ExitCode {
    let mut environment = BTreeMap::new();
    for (key, value) in std::env::vars_os() {
        if let (Ok(key), Ok(value)) = (key.into_string(), value.into_string()) {
            environment.insert(key, value);
        }
    }
    let plain = environment.get("NO_COLOR").is_some_and(|v| !v.is_empty())
        || environment.get("TERM").is_some_and(|v| v == "dumb");
    let at_terminal = std::io::stdin().is_terminal() && std::io::stderr().is_terminal();
    let mut terminal = term::Terminal { plain };
    let mut out = std::io::stdout();
    let mut err = std::io::stderr();
    let mut world = World {
        colour: !plain && out.is_terminal(),
        columns: term::columns(&environment),
        out: &mut out,
        err: &mut err,
        conversation: at_terminal.then_some(&mut terminal as &mut dyn Conversation),
        now: Timestamp::now(),
        environment,
    };
    ExitCode::from(run(std::env::args_os().collect(), &mut world))
}
