//! Files that the person names: read piece by piece, or written whole or not at all.
#![expect(clippy::disallowed_methods, reason = "this is the door to files")]

use std::fs::File;
use std::io::{self, BufReader, BufWriter, Write};
use std::path::{Path, PathBuf};

/// A file that the person named cannot be read.
#[derive(Debug, thiserror::Error)]
#[error("cannot read `{}`", path.display())]
pub struct OpenFileError {
    /// The file.
    pub path: PathBuf,
    /// Why.
    #[source]
    pub source: io::Error,
}

/// A file that the person named cannot be written.
#[derive(Debug, thiserror::Error)]
#[error("cannot write `{}`", path.display())]
pub struct WriteFileError {
    /// The file.
    pub path: PathBuf,
    /// Why.
    #[source]
    pub source: io::Error,
}

/// Opens `path` to be read piece by piece.
///
/// # Errors
/// Names the file.
pub fn open_file(path: &Path) -> Result<BufReader<File>, OpenFileError> {
    let failed = |source| OpenFileError {
        path: path.to_path_buf(),
        source,
    };
    let file = File::open(path).map_err(failed)?;
    if file.metadata().map_err(failed)?.is_dir() {
        return Err(failed(io::Error::from(io::ErrorKind::IsADirectory)));
    }
    Ok(BufReader::new(file))
}

/// Has `fill` write to `path`: beside it first, then in its place, so that a full disk leaves no half of a
/// page that looks like a whole one. What is no ordinary file (a pipe, say) is written directly.
///
/// # Errors
/// Names the file; a file that was there stays as it was.
pub fn write_file(
    path: &Path,
    fill: impl FnOnce(&mut dyn Write) -> io::Result<()>,
) -> Result<(), WriteFileError> {
    let failed = |source| WriteFileError {
        path: path.to_path_buf(),
        source,
    };
    if path.metadata().is_ok_and(|about| !about.is_file()) {
        let file = File::options().write(true).open(path).map_err(failed)?;
        return fill_whole(file, fill).map(drop).map_err(failed);
    }
    let mut name = path.file_name().unwrap_or_default().to_owned();
    name.push(format!(".{}.part", std::process::id()));
    let beside = path.with_file_name(name);
    let written = File::create(&beside)
        .and_then(|file| fill_whole(file, fill))
        .and_then(|file| file.sync_all())
        .and_then(|()| std::fs::rename(&beside, path));
    written.map_err(|source| {
        // The reason that is told is the first one.
        drop(std::fs::remove_file(&beside));
        failed(source)
    })
}

fn fill_whole(file: File, fill: impl FnOnce(&mut dyn Write) -> io::Result<()>) -> io::Result<File> {
    let mut buffered = BufWriter::new(file);
    fill(&mut buffered)?;
    buffered
        .into_inner()
        .map_err(io::IntoInnerError::into_error)
}
