//! Files that only their owner may read, written whole or not at all.
//!
//! A secret that others could read is no secret, and a file that others may change is not ours: both are refused
//! with the command that mends it, rather than used. A file is written beside its place and renamed, so that a
//! crash leaves the old one or the new one.

use std::fs::{File, OpenOptions};
use std::io::{ErrorKind, Read as _, Write as _};
use std::path::Path;

use crate::failure::Stop;

/// Largest file taken, bytes; a chain of certificates is a few KiB.
const LARGEST: u64 = 256 * 1024;

/// Who may do what with a file besides its owner.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Privacy {
    /// Nobody may even read it.
    Secret,
    /// Others may read it.
    Readable,
}

/// Reads a file; none when it is not there.
///
/// # Errors
/// [`Stop::Refused`] when it is a link, belongs to somebody else, others may read or change it, or it cannot be read.
pub(super) fn read(path: &Path, privacy: Privacy) -> Result<Option<String>, Stop> {
    let file = match opened(path) {
        Ok(file) => file,
        Err(fault) if fault.kind() == ErrorKind::NotFound => return Ok(None),
        Err(fault) => return Err(unreadable(path, &fault)),
    };
    trusted(path, &file, privacy)?;
    let mut text = String::new();
    file.take(LARGEST)
        .read_to_string(&mut text)
        .map_err(|fault| unreadable(path, &fault))?;
    Ok(Some(text))
}

/// Writes a file that only its owner may read.
///
/// # Errors
/// [`Stop::Refused`] when it cannot be written; the one before is untouched then.
pub(super) fn write(folder: &Path, name: &str, text: &str) -> Result<(), Stop> {
    let path = folder.join(name);
    let beside = folder.join(format!(".{name}.{}.new", std::process::id()));
    let written = written_beside(&beside, text).and_then(|()| std::fs::rename(&beside, &path));
    if let Err(fault) = written {
        // What is left of it would be in the way of nothing but order.
        drop(std::fs::remove_file(&beside));
        return Err(unwritable(&path, &fault));
    }
    settled(folder).map_err(|fault| unwritable(&path, &fault))
}

/// Gives a file another name in the same folder, in place of one that may be there.
///
/// # Errors
/// [`Stop::Refused`] when that cannot be done.
pub(super) fn rename(folder: &Path, from: &str, to: &str) -> Result<(), Stop> {
    std::fs::rename(folder.join(from), folder.join(to))
        .and_then(|()| settled(folder))
        .map_err(|fault| unwritable(&folder.join(to), &fault))
}

/// Removes a file; one that is not there is removed already.
///
/// # Errors
/// [`Stop::Refused`] when it stays.
pub(super) fn remove(folder: &Path, name: &str) -> Result<(), Stop> {
    let path = folder.join(name);
    match std::fs::remove_file(&path) {
        Err(fault) if fault.kind() != ErrorKind::NotFound => Err(unwritable(&path, &fault)),
        _ => settled(folder).map_err(|fault| unwritable(&path, &fault)),
    }
}

fn written_beside(beside: &Path, text: &str) -> std::io::Result<()> {
    let mut file = match created(beside) {
        // Left over from a process of the same number that died over it.
        Err(fault) if fault.kind() == ErrorKind::AlreadyExists => {
            std::fs::remove_file(beside)?;
            created(beside)?
        }
        other => other?,
    };
    file.write_all(text.as_bytes())?;
    file.sync_all()
}

fn created(path: &Path) -> std::io::Result<File> {
    let mut options = OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    {
        use std::os::unix::fs::OpenOptionsExt as _;
        options.mode(0o600);
    }
    options.open(path)
}

/// Makes a change of a folder last, where the system has a way to ask for it.
fn settled(folder: &Path) -> std::io::Result<()> {
    if cfg!(unix) {
        File::open(folder)?.sync_all()?;
    }
    Ok(())
}

/// Makes a folder that only its owner may enter; one that is there must be the owner's alone to change.
///
/// # Errors
/// [`Stop::Refused`] when it cannot be made or others may change it.
pub(crate) fn folder(path: &Path) -> Result<(), Stop> {
    let mut builder = std::fs::DirBuilder::new();
    builder.recursive(true);
    #[cfg(unix)]
    {
        use std::os::unix::fs::DirBuilderExt as _;
        builder.mode(0o700);
    }
    builder
        .create(path)
        .map_err(|fault| unwritable(path, &fault))?;
    own_folder(path)
}

/// Refuses a folder in which others may exchange files; one that is not there is no fault.
///
/// # Errors
/// [`Stop::Refused`] when others may.
pub(super) fn own_folder(path: &Path) -> Result<(), Stop> {
    match File::open(path) {
        Ok(folder) => trusted(path, &folder, Privacy::Readable),
        Err(fault) if fault.kind() == ErrorKind::NotFound => Ok(()),
        Err(fault) => Err(unreadable(path, &fault)),
    }
}

#[cfg(unix)]
fn opened(path: &Path) -> std::io::Result<File> {
    use rustix::fs::{Mode, OFlags};
    // Not waiting, or a pipe put in its place would hold the program.
    let flags = OFlags::RDONLY | OFlags::NOFOLLOW | OFlags::NONBLOCK | OFlags::CLOEXEC;
    Ok(rustix::fs::open(path, flags, Mode::empty())?.into())
}

#[cfg(not(unix))]
fn opened(path: &Path) -> std::io::Result<File> {
    File::open(path)
}

#[cfg(unix)]
fn trusted(path: &Path, file: &File, privacy: Privacy) -> Result<(), Stop> {
    use std::os::unix::fs::MetadataExt as _;
    let metadata = file.metadata().map_err(|fault| unreadable(path, &fault))?;
    let shown = path.display();
    if privacy == Privacy::Secret && !metadata.is_file() {
        return Err(Stop::Refused(format!("{shown} is no file; remove it.")));
    }
    if metadata.uid() != rustix::process::geteuid().as_raw() {
        return Err(Stop::Refused(format!(
            "{shown} belongs to another user and is not used. Run this as the user whom it belongs to, or give \
             it to you with `chown`."
        )));
    }
    let mode = metadata.mode() & 0o777;
    let (others, verb) = match privacy {
        Privacy::Secret => (0o077, "read"),
        Privacy::Readable => (0o022, "change"),
    };
    if mode & others == 0 {
        return Ok(());
    }
    let right = if metadata.is_dir() { "700" } else { "600" };
    let then = if privacy == Privacy::Secret {
        " Then run `ringtrue credential rotate`: somebody may have read it."
    } else {
        ""
    };
    Err(Stop::Refused(format!(
        "Others on this computer may {verb} {shown} (mode {mode:03o}), so it is not used. Run: chmod {right} \
         '{shown}'{then}"
    )))
}

#[cfg(not(unix))]
fn trusted(_: &Path, _: &File, _: Privacy) -> Result<(), Stop> {
    // Folders of a user's own profile are closed to others by inherited access lists.
    Ok(())
}

fn unreadable(path: &Path, fault: &std::io::Error) -> Stop {
    let shown = path.display();
    #[cfg(unix)]
    if fault.raw_os_error() == Some(rustix::io::Errno::LOOP.raw_os_error()) {
        return Stop::Refused(format!(
            "{shown} is a symbolic link, so it is not used: it must lie there itself. Remove the link and put the \
             file in its place."
        ));
    }
    Stop::Refused(format!("{shown} cannot be read: {fault}."))
}

fn unwritable(path: &Path, fault: &std::io::Error) -> Stop {
    Stop::Refused(format!(
        "{} cannot be written: {fault}. Make room or mend its folder, or name another with RINGTRUE_HOME.",
        path.display()
    ))
}

#[cfg(all(test, unix))]
mod tests {
    use std::os::unix::fs::PermissionsExt as _;

    use super::*;

    fn mode(path: &Path) -> u32 {
        let metadata = std::fs::metadata(path).expect("it is there");
        metadata.permissions().mode() & 0o777
    }

    fn set_mode(path: &Path, mode: u32) {
        let permissions = std::fs::Permissions::from_mode(mode);
        std::fs::set_permissions(path, permissions).expect("it is ours");
    }

    fn words(stop: &Stop) -> String {
        stop.lines("").join("\n")
    }

    #[test]
    fn a_file_is_its_owners_alone_and_nothing_lies_beside_it() {
        let home = tempfile::tempdir().expect("a folder");
        let inner = home.path().join("a").join("b");
        folder(&inner).expect("made");
        assert_eq!((mode(&inner), mode(&home.path().join("a"))), (0o700, 0o700));
        write(&inner, "token", "one").expect("written");
        write(&inner, "token", "two").expect("written anew");
        assert_eq!(mode(&inner.join("token")), 0o600);
        let kept = read(&inner.join("token"), Privacy::Secret).expect("read");
        assert_eq!(kept.as_deref(), Some("two"));
        let count = std::fs::read_dir(&inner).expect("a folder").count();
        assert_eq!(count, 1);
        assert!(matches!(
            read(&inner.join("none"), Privacy::Secret),
            Ok(None)
        ));
    }

    #[test]
    fn a_secret_that_others_may_read_is_refused_with_the_command_that_mends_it() {
        let home = tempfile::tempdir().expect("a folder");
        write(home.path(), "token", "secret words").expect("written");
        let path = home.path().join("token");
        for open in [0o640, 0o604, 0o660] {
            set_mode(&path, open);
            let refused = words(&read(&path, Privacy::Secret).expect_err("open to others"));
            assert!(
                refused.contains(&format!("chmod 600 '{}'", path.display())),
                "{refused}"
            );
            assert!(!refused.contains("secret words"), "{refused}");
        }
        set_mode(&path, 0o644);
        assert!(read(&path, Privacy::Readable).is_ok());
        set_mode(&path, 0o666);
        assert!(read(&path, Privacy::Readable).is_err());
    }

    #[test]
    fn a_link_and_a_folder_that_others_may_change_are_refused() {
        let home = tempfile::tempdir().expect("a folder");
        write(home.path(), "elsewhere", "text").expect("written");
        let link = home.path().join("token");
        std::os::unix::fs::symlink(home.path().join("elsewhere"), &link).expect("linked");
        let refused = words(&read(&link, Privacy::Secret).expect_err("a link"));
        assert!(refused.contains("symbolic link"), "{refused}");
        let shared = home.path().join("shared");
        folder(&shared).expect("made");
        set_mode(&shared, 0o777);
        let refused = words(&folder(&shared).expect_err("shared"));
        assert!(refused.contains("chmod 700"), "{refused}");
    }

    #[test]
    fn what_a_dead_process_left_is_no_hindrance() {
        let home = tempfile::tempdir().expect("a folder");
        let left = home
            .path()
            .join(format!(".token.{}.new", std::process::id()));
        std::fs::write(&left, "half").expect("left");
        write(home.path(), "token", "whole").expect("written");
        let kept = read(&home.path().join("token"), Privacy::Secret).expect("read");
        assert_eq!(kept.as_deref(), Some("whole"));
        assert!(!left.exists());
    }
}
