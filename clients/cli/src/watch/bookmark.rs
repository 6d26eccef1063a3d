//! The place in the stream of alerts, kept in a file.

use std::io::Write as _;
use std::path::{Path, PathBuf};

use ringtrue_proto::v1::AlertLevel;

use crate::failure::Stop;
use crate::words;

/// The place in a stream, and the file that keeps it.
#[derive(Debug)]
pub(super) struct Bookmark {
    /// The file.
    pub(super) file: PathBuf,
    /// The place; empty before the first change.
    pub(super) cursor: String,
    parent: String,
    level: String,
}

impl Bookmark {
    /// Reads the place from a file; begins anew where there is none.
    ///
    /// # Errors
    /// [`Stop::Refused`] when the file belongs to another watch, is none, or cannot be written.
    pub(super) fn open(file: PathBuf, parent: &str, level: AlertLevel) -> Result<Self, Stop> {
        let level = words::word(words::ALERT_LEVELS, level).to_owned();
        let cursor = match std::fs::read_to_string(&file) {
            Ok(text) => read(&text, &file, parent, &level)?,
            Err(fault) if fault.kind() == std::io::ErrorKind::NotFound => String::new(),
            Err(fault) => return Err(unusable(&file, "read", &fault)),
        };
        let bookmark = Bookmark {
            file,
            cursor,
            parent: parent.to_owned(),
            level,
        };
        // Found out now rather than after the first alert.
        bookmark.write()?;
        Ok(bookmark)
    }

    /// Keeps a place; the file holds either the old or the new one, whatever happens meanwhile.
    ///
    /// # Errors
    /// [`Stop::Refused`] when the file cannot be written.
    pub(super) fn keep(&mut self, cursor: &str) -> Result<(), Stop> {
        if cursor.is_empty() || cursor == self.cursor {
            return Ok(());
        }
        cursor.clone_into(&mut self.cursor);
        self.write()
    }

    fn write(&self) -> Result<(), Stop> {
        let text = serde_json::json!({
            "cursor": self.cursor,
            "parent": self.parent,
            "level": self.level,
        });
        let mut beside = self.file.clone().into_os_string();
        beside.push(".new");
        let beside = PathBuf::from(beside);
        let written = std::fs::File::create(&beside).and_then(|mut file| {
            writeln!(file, "{text}")?;
            file.sync_all()
        });
        written
            .and_then(|()| std::fs::rename(&beside, &self.file))
            .map_err(|fault| unusable(&self.file, "written", &fault))
    }
}

fn read(text: &str, file: &Path, parent: &str, level: &str) -> Result<String, Stop> {
    let value: serde_json::Value = serde_json::from_str(text).unwrap_or_default();
    let part = |name: &str| value[name].as_str().map(str::to_owned);
    let (Some(cursor), Some(of), Some(at)) = (part("cursor"), part("parent"), part("level")) else {
        return Err(Stop::Refused(format!(
            "{} keeps no place of a watch. Name another file, or delete it to begin anew.",
            file.display()
        )));
    };
    if of != parent || at != level {
        return Err(Stop::Refused(format!(
            "{} keeps the place of another watch (of {of}, level {at}; this one is of {parent}, \
             level {level}). Name another file, or delete it to begin anew.",
            file.display()
        )));
    }
    Ok(cursor)
}

fn unusable(file: &Path, verb: &str, fault: &std::io::Error) -> Stop {
    Stop::Refused(format!(
        "{} cannot be {verb}: {fault}. Name a file in a folder that you may write into.",
        file.display()
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn open(file: &Path, parent: &str, level: AlertLevel) -> Result<Bookmark, String> {
        Bookmark::open(file.to_owned(), parent, level).map_err(|stop| stop.lines("").join("\n"))
    }

    #[test]
    fn a_place_is_kept_and_found_again() {
        let folder = tempfile::tempdir().expect("a folder");
        let file = folder.path().join("cursor");
        let mut bookmark = open(&file, "sites/porto", AlertLevel::Unspecified).expect("begun");
        assert_eq!(bookmark.cursor, "");
        bookmark.keep("c7").expect("kept");
        bookmark.keep("").expect("nothing to keep");
        let again = open(&file, "sites/porto", AlertLevel::Unspecified).expect("found");
        assert_eq!(again.cursor, "c7");
        let files = std::fs::read_dir(folder.path()).expect("a folder").count();
        assert_eq!(files, 1, "nothing lies beside it");
    }

    #[test]
    fn a_file_of_another_watch_and_other_files_are_refused_and_stay() {
        let folder = tempfile::tempdir().expect("a folder");
        let file = folder.path().join("cursor");
        open(&file, "sites/porto", AlertLevel::Manager).expect("begun");
        for (parent, level) in [
            ("sites/lima", AlertLevel::Manager),
            ("sites/porto", AlertLevel::Quality),
        ] {
            let refused = open(&file, parent, level).expect_err("another watch");
            assert!(refused.contains("delete it to begin anew"), "{refused}");
        }
        std::fs::write(&file, "not a place").expect("written");
        let refused = open(&file, "sites/porto", AlertLevel::Manager).expect_err("no place");
        assert!(refused.contains("keeps no place"), "{refused}");
        let text = std::fs::read_to_string(&file).expect("still there");
        assert_eq!(text, "not a place");
    }

    #[test]
    fn a_folder_that_is_not_there_is_said_at_once() {
        let folder = tempfile::tempdir().expect("a folder");
        let file = folder.path().join("none").join("cursor");
        let refused = open(&file, "sites/porto", AlertLevel::Manager).expect_err("no folder");
        assert!(refused.contains("may write into"), "{refused}");
    }
}
