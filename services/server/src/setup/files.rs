//! Files of an installation: made with the right permissions, never over others, and taken away again when the
//! whole does not succeed.

use std::fs::{DirBuilder, File, OpenOptions};
use std::io::{ErrorKind, Write as _};
use std::os::unix::fs::{DirBuilderExt as _, OpenOptionsExt as _};
use std::path::{Path, PathBuf};

use anyhow::{Context as _, bail};

/// What was made so far in a folder; taken away when it is dropped before [`Made::keep`].
#[derive(Debug)]
pub(super) struct Made {
    root: PathBuf,
    files: Vec<PathBuf>,
    folders: Vec<PathBuf>,
}

impl Made {
    /// Begins in a folder, made for the service alone when it is not there.
    pub(super) fn in_folder(folder: &Path) -> anyhow::Result<Self> {
        let mut made = Self {
            root: folder.to_owned(),
            files: Vec::new(),
            folders: Vec::new(),
        };
        made.folder("")?;
        made.root = folder
            .canonicalize()
            .with_context(|| format!("finding the folder {}", folder.display()))?;
        Ok(made)
    }

    /// The folder, from the root of the file system on.
    pub(super) fn root(&self) -> &Path {
        &self.root
    }

    pub(super) fn path(&self, name: impl AsRef<Path>) -> PathBuf {
        self.root.join(name)
    }

    pub(super) fn must_be_absent(&self, name: impl AsRef<Path>) -> anyhow::Result<()> {
        let path = self.path(name);
        match path.symlink_metadata() {
            Ok(_) => bail!(
                "{} exists already, and nothing is written over: take another place, or see what it is and move it \
                 away",
                path.display()
            ),
            Err(fault) if fault.kind() == ErrorKind::NotFound => Ok(()),
            Err(fault) => Err(fault).with_context(|| format!("looking at {}", path.display())),
        }
    }

    /// Makes a folder for the service alone, unless it is there.
    pub(super) fn folder(&mut self, name: &str) -> anyhow::Result<()> {
        let path = self.path(name);
        if path.is_dir() {
            return Ok(());
        }
        DirBuilder::new()
            .recursive(true)
            .mode(0o700)
            .create(&path)
            .with_context(|| format!("making the folder {}", path.display()))?;
        self.folders.push(path);
        Ok(())
    }

    /// Writes a new file.
    pub(super) fn file(
        &mut self,
        name: impl AsRef<Path>,
        text: &str,
        mode: u32,
    ) -> anyhow::Result<()> {
        let path = self.path(name);
        let doing = || format!("making {}", path.display());
        let mut file = fresh(&path, mode).with_context(doing)?;
        self.files.push(path.clone());
        file.write_all(text.as_bytes())
            .and_then(|()| file.sync_all())
            .with_context(doing)
    }

    /// A file was made in another way: it is taken away with the others.
    pub(super) fn has_file(&mut self, name: &str) {
        self.files.push(self.path(name));
    }

    /// Everything was made: it stays.
    pub(super) fn keep(mut self) {
        self.files.clear();
        self.folders.clear();
    }
}

impl Drop for Made {
    fn drop(&mut self) {
        // What cannot be taken away stays and is met by the next try, which says so.
        for file in &self.files {
            drop(std::fs::remove_file(file));
        }
        for folder in self.folders.iter().rev() {
            drop(std::fs::remove_dir(folder));
        }
    }
}

/// Puts a file in the place of another one in a single step: whoever reads meets the old or the new, whole.
pub(super) fn replace(path: &Path, text: &str, mode: u32) -> anyhow::Result<()> {
    let doing = || format!("replacing {}", path.display());
    let mut beside = path.as_os_str().to_owned();
    beside.push(".new");
    let beside = PathBuf::from(beside);
    match std::fs::remove_file(&beside) {
        Err(fault) if fault.kind() != ErrorKind::NotFound => return Err(fault).with_context(doing),
        _ => {}
    }
    let mut file = fresh(&beside, mode).with_context(doing)?;
    file.write_all(text.as_bytes())
        .and_then(|()| file.sync_all())
        .and_then(|()| std::fs::rename(&beside, path))
        .with_context(doing)?;
    let folder = path.parent().context("a file lies in a folder")?;
    File::open(folder)
        .and_then(|folder| folder.sync_all())
        .with_context(doing)
}

fn fresh(path: &Path, mode: u32) -> std::io::Result<File> {
    OpenOptions::new()
        .write(true)
        .create_new(true)
        .mode(mode)
        .open(path)
}
