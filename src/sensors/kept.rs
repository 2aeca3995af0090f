//! Files that are read again and again. Their descriptors are kept and read by position, where the kernel
//! makes their content anew: opening a hundred files each second costs four times as much.

use std::fs::File;
use std::io;
use std::os::unix::fs::MetadataExt;

use super::probe::classify_loss;
use super::text::MAX_ATTRIBUTE_BYTES;
use crate::model::Loss;
use crate::os::{Root, read_from_start};

/// One file, open between readings where there is a descriptor to spare.
#[derive(Debug)]
pub(super) struct KeptFile {
    path: String,
    keep: bool,
    file: Option<File>,
}

impl KeptFile {
    /// The file at `path` below the root; not kept open yet.
    pub(super) fn new(path: String) -> Self {
        Self {
            path,
            keep: false,
            file: None,
        }
    }

    /// Path below the root.
    pub(super) fn path(&self) -> &str {
        &self.path
    }

    /// Keeps it open from the next reading on, where `left` descriptors are not used up.
    pub(super) fn keep(&mut self, left: &mut usize) {
        self.keep = *left > 0;
        *left = left.saturating_sub(1);
    }

    /// Its text without white space at both ends; never waits. What lies at the path now is read: a device
    /// that was taken away and came back has another file there.
    ///
    /// # Errors
    /// The system's reason.
    pub(super) fn read(&mut self, root: &Root) -> io::Result<String> {
        if let Some(file) = &self.file {
            // A removed device answers so by itself; a file of an ordinary folder that was replaced or
            // deleted still gives its old content.
            let read = if root.is_simulated() && is_unlinked(file) {
                Err(io::Error::from_raw_os_error(nix::libc::ESTALE))
            } else {
                read_from_start(file, MAX_ATTRIBUTE_BYTES)
            };
            match read {
                Err(error) if classify_loss(&error) == Loss::Vanished => self.file = None,
                Ok(_) | Err(_) => return read,
            }
        }
        let file = root.open_nonblocking(&self.path);
        let file = file.map_err(|error| error.source)?;
        let text = read_from_start(&file, MAX_ATTRIBUTE_BYTES)?;
        self.file = self.keep.then_some(file);
        Ok(text)
    }

    /// Its whole number; none when it is not one, or cannot be read.
    pub(super) fn read_whole(&mut self, root: &Root) -> Option<u64> {
        self.read(root).ok()?.parse().ok()
    }
}

fn is_unlinked(file: &File) -> bool {
    file.metadata().is_ok_and(|about| about.nlink() == 0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_lies_at_the_path_is_read_however_it_got_there() {
        let folder = tempfile::tempdir().expect("a folder");
        let root = Root::simulated(folder.path());
        let path = folder.path().join("temp1_input");
        for keep in [0, 1] {
            let mut left = keep;
            let mut file = KeptFile::new("temp1_input".to_owned());
            file.keep(&mut left);
            let mut read = || file.read(&root).map_err(|error| classify_loss(&error));
            std::fs::write(&path, "45000\n").expect("written");
            assert_eq!(read(), Ok("45000".to_owned()));
            std::fs::write(&path, "46000\n").expect("written");
            assert_eq!(read(), Ok("46000".to_owned()));
            std::fs::write(folder.path().join("new"), "47000\n").expect("written");
            std::fs::rename(folder.path().join("new"), &path).expect("replaced");
            assert_eq!(read(), Ok("47000".to_owned()));
            std::fs::remove_file(&path).expect("removed");
            assert_eq!(read(), Err(Loss::Vanished));
            std::fs::write(&path, "48000\n").expect("written");
            assert_eq!(read(), Ok("48000".to_owned()));
            assert_eq!(file.file.is_some(), keep == 1);
        }
    }
}
