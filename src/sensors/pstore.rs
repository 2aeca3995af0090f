//! What the kernel kept over a restart: `sys/fs/pstore` and where systemd puts it aside,
//! `var/lib/systemd/pstore` (Linux 6.12 Documentation/ABI/testing/pstore, fs/pstore/platform.c). Read,
//! never deleted: that is the owner's.

use std::path::PathBuf;

use super::text::clean_line;
use crate::model::Wall;
use crate::os::{ReadFileError, Root};

const KERNEL: &str = "sys/fs/pstore";
const PUT_ASIDE: &str = "var/lib/systemd/pstore";
/// Most files looked at in each place, and most bytes read of each.
const MOST_FILES: usize = 256;
const MOST_BYTES: usize = 1024 * 1024;
/// Folders within folders that are looked into: systemd makes one a restart, and may make parts.
const DEPTH: u32 = 2;

/// One kept file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KeptRecord {
    /// Path below the root.
    pub source: String,
    /// When it was written, by its time stamp; the start of the machine where the backend keeps none.
    pub written: Wall,
    /// True for the log of a panic, by the line that the kernel puts before it.
    pub panic: bool,
    /// True for a machine check that was kept by itself.
    pub machine_check: bool,
    /// Lines of the log, oldest first, without their prefixes; none when it is packed.
    pub lines: Vec<String>,
}

/// What is kept, and places that may not be read.
pub fn read_kept_records(root: &Root) -> (Vec<KeptRecord>, Vec<ReadFileError>) {
    let (mut kept, mut closed) = (Vec::new(), Vec::new());
    for place in [KERNEL, PUT_ASIDE] {
        let mut files = Vec::new();
        if let Err(error) = root.read_folder(place)
            && error.source.kind() == std::io::ErrorKind::PermissionDenied
        {
            closed.push(error);
            continue;
        }
        collect(root, PathBuf::from(place), DEPTH, &mut files);
        for path in files {
            match read_one(root, &path) {
                Ok(record) => kept.push(record),
                Err(error) => closed.push(error),
            }
        }
    }
    (kept, closed)
}

fn collect(root: &Root, folder: PathBuf, depth: u32, files: &mut Vec<PathBuf>) {
    for name in root.list(&folder) {
        let path = folder.join(name);
        if files.len() >= MOST_FILES {
            return;
        }
        if root.is_folder(&path) {
            if depth > 0 {
                collect(root, path, depth - 1, files);
            }
        } else {
            files.push(path);
        }
    }
}

fn read_one(root: &Root, path: &std::path::Path) -> Result<KeptRecord, ReadFileError> {
    let written = root.modified(path)?;
    let text = root.read_bounded(path, MOST_BYTES)?;
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    // A packed log is bytes without sense; that it is there is still told.
    let packed = name.ends_with(".z") || name.ends_with(".enc");
    let lines = if packed {
        Vec::new()
    } else {
        parse_lines(&text)
    };
    Ok(KeptRecord {
        source: path.display().to_string(),
        written,
        panic: !packed && is_panic(&text),
        machine_check: name.starts_with("mce"),
        lines,
    })
}

/// Each part of a kept log begins with its reason, `Panic#2 Part1`; an oops that the machine survived is
/// kept under its own.
fn is_panic(text: &str) -> bool {
    text.lines().any(|line| {
        let numbered = line.strip_prefix("Panic#");
        numbered.is_some_and(|rest| rest.contains(" Part"))
    })
}

/// `<4>[  123.456789] text`, with the prefixes taken off.
fn parse_lines(text: &str) -> Vec<String> {
    let without_prefix = |line: &str| {
        let line = match line.strip_prefix('<') {
            Some(rest) => rest.split_once('>').map_or(line, |(_, rest)| rest),
            None => line,
        };
        let stamped = line.strip_prefix('[').and_then(|rest| {
            let (stamp, text) = rest.split_once(']')?;
            stamp.trim().parse::<f64>().ok().map(|_| text)
        });
        clean_line(stamped.unwrap_or(line))
    };
    text.lines()
        .map(without_prefix)
        .filter(|line| !line.is_empty())
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// fs/pstore/platform.c: `"%s#%d Part%u\n"` before the log; the lines as `dmesg -r` has them.
    #[test]
    fn the_reason_line_tells_a_panic_from_what_was_survived() {
        let log = "Panic#2 Part1\n<6>[  812.100000] quiet\n<0>[  812.345678] Kernel panic - not syncing: Fatal exception\n";
        assert!(is_panic(log));
        assert!(!is_panic(
            "Oops#1 Part1\n<1>[   11.000000] BUG: unable to handle page fault\n"
        ));
        assert!(!is_panic("<6>[ 1.0] someone wrote Panic#2 Part1"));
        let lines = parse_lines(log);
        assert_eq!(lines[1], "quiet");
        assert_eq!(lines[2], "Kernel panic - not syncing: Fatal exception");
    }
}
