//! Memory for workers: shared words between supervisor and worker, and large private regions that
//! are locked and touched before they are used.
#![expect(unsafe_code, reason = "mapping memory and viewing it as words")]

use std::fs::File;
use std::num::NonZeroUsize;
use std::os::fd::{AsFd, AsRawFd, BorrowedFd, FromRawFd, OwnedFd, RawFd};
use std::ptr::NonNull;
use std::sync::OnceLock;
use std::sync::atomic::AtomicU64;

use nix::errno::Errno;
use nix::sys::memfd::{MFdFlags, memfd_create};
use nix::sys::mman::{
    MapFlags, MmapAdvise, ProtFlags, madvise, mlock, mmap, mmap_anonymous, munmap,
};

/// Memory could not be had.
#[derive(Debug, thiserror::Error)]
#[error("cannot {what} {bytes} bytes of memory")]
pub struct MapMemoryError {
    /// Step that failed.
    pub what: &'static str,
    /// Size asked for.
    pub bytes: usize,
    /// Why.
    #[source]
    pub source: Errno,
}

/// Gives back to the system what an idle process does not need: memory that the allocator keeps for later
/// (malloc_trim(3)), and pages of the program that only a run uses. A service that has judged a night is idle
/// for the next day.
pub fn give_back_memory() {
    #[cfg(target_env = "gnu")]
    // SAFETY: the function has no preconditions and is safe to call from several threads.
    unsafe {
        nix::libc::malloc_trim(0);
    }
    if let Err(errno) = forget_instructions() {
        tracing::debug!(%errno, "the program's pages stay");
    }
}

/// Drops the pages of the program's instructions from this process; what is needed again comes from the
/// file as at the start.
#[expect(clippy::disallowed_methods, reason = "this is the door")]
fn forget_instructions() -> Result<(), Errno> {
    let maps = std::fs::read_to_string("/proc/self/maps").unwrap_or_default();
    let program = std::fs::read_link("/proc/self/exe").unwrap_or_default();
    let own = maps
        .lines()
        .filter_map(|line| instructions_of(line, &program));
    for (start, length) in own {
        let start = NonNull::new(std::ptr::without_provenance_mut(start)).ok_or(Errno::EINVAL)?;
        // SAFETY: the kernel lists this range as a private mapping of the program's file that may be executed
        // and not written; position-independent code has no relocations in it, so no page differs from the file.
        unsafe { madvise(start, length, MmapAdvise::MADV_DONTNEED) }?;
    }
    Ok(())
}

/// Start and length of a mapping of `program`'s instructions, from a line of `maps` (proc_pid_maps(5)).
fn instructions_of(line: &str, program: &std::path::Path) -> Option<(usize, usize)> {
    let mut fields = line.split_ascii_whitespace();
    let (range, rights) = (fields.next()?, fields.next()?);
    // A name with spaces is not found here, and nothing is dropped then.
    let path = fields.nth(3)?;
    if rights != "r-xp" || std::path::Path::new(path) != program {
        return None;
    }
    let (start, end) = range.split_once('-')?;
    let address = |text| usize::from_str_radix(text, 16).ok();
    let (start, end) = (address(start)?, address(end)?);
    Some((start, end.checked_sub(start)?))
}

const WORD: usize = size_of::<u64>();
const PAGE: usize = 4096;

/// Words that several processes see; every access is atomic, so a mad peer can write nonsense but
/// never cause undefined behaviour here.
#[derive(Debug)]
pub struct SharedWords {
    start: NonNull<AtomicU64>,
    words: usize,
    file: OwnedFd,
}

// SAFETY: the mapping lives until drop and is only ever viewed as atomics.
unsafe impl Send for SharedWords {}
// SAFETY: as above; shared references only lead to atomics.
unsafe impl Sync for SharedWords {}

impl SharedWords {
    /// A new, zeroed area of at least `words` words (rounded up to whole pages).
    ///
    /// # Errors
    /// The system has no memory or no descriptors left.
    pub fn create(words: usize) -> Result<Self, MapMemoryError> {
        let bytes = (words * WORD).next_multiple_of(PAGE);
        let fail = |what| {
            move |source| MapMemoryError {
                what,
                bytes,
                source,
            }
        };
        let file =
            memfd_create(c"soakproof", MFdFlags::MFD_CLOEXEC).map_err(fail("create shared"))?;
        let length = i64::try_from(bytes).map_err(|_| fail("create shared")(Errno::EFBIG))?;
        nix::unistd::ftruncate(&file, length).map_err(fail("size shared"))?;
        Self::map(file, bytes)
    }

    /// The area behind a descriptor inherited from the supervisor.
    ///
    /// # Errors
    /// The descriptor is not open or not a memory file.
    pub fn inherit(descriptor: RawFd) -> Result<Self, MapMemoryError> {
        let fail = |source| MapMemoryError {
            what: "map inherited",
            bytes: 0,
            source,
        };
        // SAFETY: only checked for being open, not used otherwise.
        let borrowed = unsafe { BorrowedFd::borrow_raw(descriptor) };
        let status = nix::sys::stat::fstat(borrowed).map_err(fail)?;
        // SAFETY: the descriptor is open and was handed to this process for this purpose alone.
        let file = unsafe { OwnedFd::from_raw_fd(descriptor) };
        let bytes = usize::try_from(status.st_size).unwrap_or(0);
        Self::map(file, bytes)
    }

    fn map(file: OwnedFd, bytes: usize) -> Result<Self, MapMemoryError> {
        let fail = |source| MapMemoryError {
            what: "map shared",
            bytes,
            source,
        };
        let length = NonZeroUsize::new(bytes).ok_or_else(|| fail(Errno::EINVAL))?;
        let protection = ProtFlags::PROT_READ | ProtFlags::PROT_WRITE;
        // SAFETY: a new mapping at an address of the kernel's choice.
        let start = unsafe { mmap(None, length, protection, MapFlags::MAP_SHARED, &file, 0) }
            .map_err(fail)?;
        Ok(Self {
            start: start.cast(),
            words: bytes / WORD,
            file,
        })
    }

    /// All words.
    pub fn words(&self) -> &[AtomicU64] {
        // SAFETY: the mapping is page-aligned, `words` long and lives as long as `self`.
        unsafe { std::slice::from_raw_parts(self.start.as_ptr(), self.words) }
    }

    /// Raw number of the descriptor behind it.
    pub fn descriptor(&self) -> RawFd {
        self.file.as_raw_fd()
    }

    /// The descriptor behind it.
    pub fn file(&self) -> BorrowedFd<'_> {
        self.file.as_fd()
    }
}

impl Drop for SharedWords {
    fn drop(&mut self) {
        // SAFETY: the mapping was made by `map` with this length and nothing borrows it any more.
        let unmapped = unsafe { munmap(self.start.cast(), self.words * WORD) };
        debug_assert!(unmapped.is_ok());
    }
}

/// Private memory of a worker.
#[derive(Debug)]
pub struct Region {
    start: NonNull<u64>,
    words: usize,
    locked: bool,
}

impl Region {
    /// Maps at least `bytes` (whole pages), asks for huge pages, touches all of it and tries to lock
    /// it. `alive` is called now and then while pages are touched; false gives up.
    ///
    /// # Errors
    /// The memory could not be mapped.
    pub fn map(bytes: usize, alive: &mut dyn FnMut() -> bool) -> Result<Self, MapMemoryError> {
        let bytes = bytes.max(PAGE).next_multiple_of(PAGE);
        let fail = |source| MapMemoryError {
            what: "map",
            bytes,
            source,
        };
        let length = NonZeroUsize::new(bytes).ok_or_else(|| fail(Errno::EINVAL))?;
        let protection = ProtFlags::PROT_READ | ProtFlags::PROT_WRITE;
        // SAFETY: a new private mapping at an address of the kernel's choice.
        let start = unsafe { mmap_anonymous(None, length, protection, MapFlags::MAP_PRIVATE) }
            .map_err(fail)?;
        // SAFETY: advice on a mapping that is ours; it changes no contents.
        let advised = unsafe { madvise(start, bytes, MmapAdvise::MADV_HUGEPAGE) };
        if let Err(error) = advised {
            tracing::debug!(%error, "no huge pages");
        }
        let mut region = Self {
            start: start.cast(),
            words: bytes / WORD,
            locked: false,
        };
        for (index, page) in region.words_mut().chunks_mut(PAGE / WORD).enumerate() {
            page[0] = 1;
            if index % 4096 == 0 && !alive() {
                break;
            }
        }
        // SAFETY: locks a mapping that is ours.
        region.locked = unsafe { mlock(start, bytes) }.is_ok();
        Ok(region)
    }

    /// Gives the kernel back all but the first `bytes` (whole pages, at least one).
    pub fn shrink(&mut self, bytes: usize) {
        let keep = (bytes / PAGE * PAGE).max(PAGE);
        if keep >= self.bytes() {
            return;
        }
        // SAFETY: `keep` lies within the mapping.
        let rest = unsafe { self.start.byte_add(keep) };
        // SAFETY: whole pages of a mapping that is ours; nothing borrows them, since `self` is mutably
        // borrowed.
        match unsafe { munmap(rest.cast(), self.bytes() - keep) } {
            Ok(()) => self.words = keep / WORD,
            Err(error) => tracing::warn!(%error, "memory could not be given back"),
        }
    }

    /// How much of it lies in huge pages; none where the kernel does not tell.
    /// Source: Linux Documentation/filesystems/proc.rst, `smaps`.
    pub fn huge_bytes(&self) -> Option<usize> {
        let maps = super::Root::real().read_text("proc/self/smaps").ok()?;
        huge_bytes_from(&maps, self.address(), self.address() + self.bytes() as u64)
    }

    /// All words.
    pub fn words_mut(&mut self) -> &mut [u64] {
        // SAFETY: the mapping is page-aligned, `words` long, ours alone, and `self` is borrowed.
        unsafe { std::slice::from_raw_parts_mut(self.start.as_ptr(), self.words) }
    }

    /// Whether the kernel promised to keep it in memory.
    pub fn is_locked(&self) -> bool {
        self.locked
    }

    /// Virtual address of its first byte.
    pub fn address(&self) -> u64 {
        self.start.as_ptr() as u64
    }

    /// Its size.
    pub fn bytes(&self) -> usize {
        self.words * WORD
    }
}

impl Drop for Region {
    fn drop(&mut self) {
        // SAFETY: the mapping was made by `map` with this length and nothing borrows it any more.
        let unmapped = unsafe { munmap(self.start.cast(), self.words * WORD) };
        debug_assert!(unmapped.is_ok());
    }
}

/// Physical address of a virtual one of this process; none when the kernel does not tell (no
/// `CAP_SYS_ADMIN`: the frame reads as 0) or the page is not there. Pages can move: read it before
/// and after.
/// Source: Linux Documentation/admin-guide/mm/pagemap.rst.
pub fn frame_address(address: u64) -> Option<u64> {
    use std::os::unix::fs::FileExt;
    let mut entry = [0_u8; 8];
    open_page_map()?
        .read_exact_at(&mut entry, address / PAGE as u64 * 8)
        .ok()?;
    let entry = u64::from_le_bytes(entry);
    let frame = entry & ((1 << 55) - 1);
    let present = entry >> 63 == 1;
    (present && frame != 0).then(|| frame * PAGE as u64 + address % PAGE as u64)
}

/// The page map of this process, opened once: a worker at work opens nothing any more.
pub(super) fn open_page_map() -> Option<&'static File> {
    static PAGE_MAP: OnceLock<Option<File>> = OnceLock::new();
    let open = || super::Root::real().open("proc/self/pagemap").ok();
    PAGE_MAP.get_or_init(open).as_ref()
}

/// Sums up the huge pages of all mappings between two addresses: the kernel may have cut one mapping
/// in several, or joined it with its neighbour.
fn huge_bytes_from(maps: &str, start: u64, end: u64) -> Option<usize> {
    let (mut inside, mut told, mut huge) = (false, false, 0);
    for line in maps.lines() {
        let first = line.split_whitespace().next().unwrap_or_default();
        let range = first.split_once('-').and_then(|(from, to)| {
            let number = |text| u64::from_str_radix(text, 16).ok();
            Some((number(from)?, number(to)?))
        });
        if let Some((from, to)) = range {
            inside = from < end && to > start;
        } else if let Some(amount) = line.strip_prefix("AnonHugePages:").filter(|_| inside) {
            let kib: usize = amount.trim().strip_suffix("kB")?.trim().parse().ok()?;
            (told, huge) = (true, huge + kib * 1024);
        }
    }
    told.then_some(huge)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn instructions_are_found_alone_and_can_be_dropped_while_they_run() {
        let program = std::path::Path::new("/usr/bin/own");
        let line = |rights: &str, path: &str| {
            let line =
                format!("55d0000a1000-55d0000b3000 {rights} 00011000 fe:00 4711      {path}");
            instructions_of(&line, program)
        };
        assert_eq!(
            line("r-xp", "/usr/bin/own"),
            Some((0x55d0_000a_1000, 0x12000))
        );
        // Read-only data is relocated at the start and would not come back from the file.
        assert_eq!(line("r--p", "/usr/bin/own"), None);
        assert_eq!(line("r-xp", "/usr/lib/libc.so.6"), None);
        assert_eq!(instructions_of("7ffd-8000 r-xp 0 00:00 0", program), None);
        assert_eq!(forget_instructions(), Ok(()));
    }

    #[test]
    fn a_region_that_shrinks_keeps_its_beginning() {
        let mut region = Region::map(5 * PAGE, &mut || true).expect("memory");
        region.words_mut().fill(7);
        region.shrink(2 * PAGE + 100);
        assert_eq!(region.bytes(), 2 * PAGE);
        assert!(region.words_mut().iter().all(|word| *word == 7));
        region.shrink(3 * PAGE);
        assert_eq!(region.bytes(), 2 * PAGE);
        region.shrink(0);
        assert_eq!(region.bytes(), PAGE);
    }

    #[test]
    fn huge_pages_are_those_of_the_mappings_in_question() {
        // Form: Linux Documentation/filesystems/proc.rst; the values are invented.
        let maps = "1000-5000 rw-p 00000000 00:00 0\nAnonHugePages:      2048 kB\n\
                    5000-9000 rw-p 00000000 00:00 0 [heap]\nAnonHugePages:      4096 kB\n\
                    9000-a000 r--p 00000000 00:00 0\nAnonHugePages:       0 kB\n";
        assert_eq!(huge_bytes_from(maps, 0x1000, 0x5000), Some(2 << 20));
        assert_eq!(huge_bytes_from(maps, 0x2000, 0x6000), Some(6 << 20));
        assert_eq!(huge_bytes_from(maps, 0x9000, 0xa000), Some(0));
        assert_eq!(huge_bytes_from(maps, 0xb000, 0xc000), None);
        assert_eq!(huge_bytes_from("", 0, u64::MAX), None);
    }
}
