//! The `ringtrue` program: see the library for everything it does.

use std::process::ExitCode;

fn main() -> ExitCode {
    ringtrue::run_here()
}
