//! Where PostgreSQL's programs are on this machine, and as whom they may run.

use std::os::unix::fs::chown;
use std::os::unix::process::CommandExt as _;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

/// Where Debian and its relatives put each version, below a folder with its number.
const VERSIONS: &str = "/usr/lib/postgresql";

/// From this version on, only a database's owner may create in its public schema.
const OLDEST: u32 = 15;

/// The server refuses to be root; the first of these that exists is who it is instead.
const UNPRIVILEGED: [&str; 2] = ["postgres", "nobody"];

static FOUND: OnceLock<Installation> = OnceLock::new();

/// The newest PostgreSQL of this machine.
#[derive(Debug)]
pub(super) struct Installation {
    /// The folder of its programs.
    pub(super) programs: PathBuf,
    /// Whom to run it as, when not as ourselves.
    account: Option<Account>,
}

#[derive(Debug)]
struct Account {
    user_id: u32,
    group_id: u32,
}

impl Installation {
    /// Gives the installation of this machine; looked for once.
    pub(super) fn found() -> &'static Self {
        FOUND.get_or_init(|| {
            let programs = programs();
            let version = version(&programs);
            assert!(
                version >= OLDEST,
                "{} is PostgreSQL {version}; the tests want {OLDEST} or later",
                programs.display()
            );
            let account = rustix::process::geteuid().is_root().then(unprivileged);
            Self { programs, account }
        })
    }

    /// Gives a command that runs as whoever may run PostgreSQL, with nothing of this process's surroundings.
    pub(super) fn command(&self, program: impl AsRef<Path>) -> Command {
        let mut command = Command::new(program.as_ref());
        command
            .env_clear()
            .env("PATH", "/usr/local/bin:/usr/bin:/bin")
            .env("LC_ALL", "C")
            // Where the tests run may be closed to another user.
            .current_dir("/");
        if let Some(account) = &self.account {
            command.gid(account.group_id).uid(account.user_id);
        }
        command
    }

    /// Makes a folder theirs who may run PostgreSQL.
    pub(super) fn give(&self, folder: &Path) {
        if let Some(account) = &self.account {
            chown(folder, Some(account.user_id), Some(account.group_id))
                .expect("root may give a folder away");
        }
    }
}

fn programs() -> PathBuf {
    if let Some(newest) = newest_version() {
        return newest;
    }
    // Elsewhere PostgreSQL says itself where it is.
    let asked = Command::new("pg_config").arg("--bindir").output();
    if let Ok(answer) = asked {
        let folder = PathBuf::from(String::from_utf8_lossy(&answer.stdout).trim());
        if folder.join("postgres").is_file() {
            return folder;
        }
    }
    panic!("there is no PostgreSQL server on this machine: run tests/postgresql/install");
}

fn newest_version() -> Option<PathBuf> {
    let mut newest = None;
    for entry in std::fs::read_dir(VERSIONS).ok()?.flatten() {
        let programs = entry.path().join("bin");
        let Ok(version) = entry.file_name().to_string_lossy().parse::<u32>() else {
            continue;
        };
        if programs.join("postgres").is_file() {
            newest = newest.max(Some((version, programs)));
        }
    }
    newest.map(|(_, programs)| programs)
}

/// Gives the first number of what `postgres --version` says, for example `postgres (PostgreSQL) 15.18`.
fn version(programs: &Path) -> u32 {
    let answer = Command::new(programs.join("postgres"))
        .arg("--version")
        .output()
        .expect("the program starts");
    let said = String::from_utf8_lossy(&answer.stdout);
    said.split_whitespace()
        .find_map(|word| word.split(['.', 'b', 'r', 'd']).next()?.parse().ok())
        .unwrap_or_else(|| panic!("no version is in `{said}`"))
}

fn unprivileged() -> Account {
    for user in UNPRIVILEGED {
        if let Some(user_id) = id(&["-u", user])
            && let Some(group_id) = id(&["-g", user])
        {
            return Account { user_id, group_id };
        }
    }
    panic!(
        "PostgreSQL refuses to run as root, and there is no other user for it: {UNPRIVILEGED:?}"
    );
}

fn id(arguments: &[&str]) -> Option<u32> {
    let answer = Command::new("id").args(arguments).output().ok()?;
    String::from_utf8_lossy(&answer.stdout).trim().parse().ok()
}
