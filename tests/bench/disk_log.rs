//! What a guest wrote to its disk, in the order in which it arrived: the log of QEMU's `blklogwrites` driver, whose
//! form is that of Linux dm-log-writes (Documentation/admin-guide/device-mapper/log-writes.rst): a superblock, then
//! for each write a header of one sector (sector, number of sectors, flags, length) and the data.

use std::fs::File;
use std::os::unix::fs::FileExt;
use std::path::Path;

use anyhow::{Result, ensure};

const SECTOR: u64 = 512;
const MAGIC: u64 = 0x006a_7366_7773_6872;
const FLUSH: u64 = 1;
const DISCARD: u64 = 4;

/// One write, or a flush without data.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Entry {
    /// Place on the disk, and number of bytes.
    place: u64,
    length: u64,
    /// Place of the data in the log.
    data: u64,
    pub(crate) flush: bool,
}

/// A log that is read, also while it grows.
#[derive(Debug)]
pub(crate) struct DiskLog {
    file: File,
}

impl DiskLog {
    pub(crate) fn open(path: &Path) -> Result<Self> {
        Ok(Self {
            file: File::open(path)?,
        })
    }

    /// Entries that the log says it holds.
    pub(crate) fn length(&self) -> Result<u64> {
        self.number(16)
    }

    /// All entries.
    pub(crate) fn entries(&self) -> Result<Vec<Entry>> {
        ensure!(self.number(0)? == MAGIC, "this is no log");
        let sector = u64::from(u32::try_from(self.number(24)? & 0xffff_ffff)?);
        ensure!(sector == SECTOR, "sectors of {sector} bytes");
        let mut at = SECTOR;
        let mut entries = Vec::new();
        for _ in 0..self.length()? {
            let (sector, sectors, flags) = (
                self.number(at)?,
                self.number(at + 8)?,
                self.number(at + 16)?,
            );
            // What was discarded holds no data in the log, and nobody counts on it.
            let length = if flags & DISCARD == 0 {
                sectors * SECTOR
            } else {
                0
            };
            entries.push(Entry {
                place: sector * SECTOR,
                length,
                data: at + SECTOR,
                flush: flags & FLUSH != 0,
            });
            at += SECTOR + length;
        }
        Ok(entries)
    }

    /// Carries out one write on a disk that begins at `base` of a file.
    pub(crate) fn replay(&self, entry: Entry, disk: &File, base: u64) -> Result<()> {
        let mut bytes = vec![0_u8; usize::try_from(entry.length)?];
        self.file.read_exact_at(&mut bytes, entry.data)?;
        disk.write_all_at(&bytes, base + entry.place)?;
        Ok(())
    }

    fn number(&self, at: u64) -> Result<u64> {
        let mut bytes = [0_u8; 8];
        self.file.read_exact_at(&mut bytes, at)?;
        Ok(u64::from_le_bytes(bytes))
    }
}
