//! Memory for workers: shared words between supervisor and worker, and large private regions that
//! are locked and touched before they are used.
#![expect(unsafe_code, reason = "mapping memory and viewing it as words")]

use std::num::NonZeroUsize;
use std::os::fd::{AsFd, AsRawFd, BorrowedFd, FromRawFd, OwnedFd, RawFd};
use std::ptr::NonNull;
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

/// Gives memory that the allocator keeps for later back to the system (malloc_trim(3)): a service that
/// has judged a night is idle for the next day.
pub fn give_back_memory() {
    #[cfg(target_env = "gnu")]
    // SAFETY: the function has no preconditions and is safe to call from several threads.
    unsafe {
        nix::libc::malloc_trim(0);
    }
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
    let file = super::Root::real().open("proc/self/pagemap").ok()?;
    let mut entry = [0_u8; 8];
    file.read_exact_at(&mut entry, address / PAGE as u64 * 8)
        .ok()?;
    let entry = u64::from_le_bytes(entry);
    let frame = entry & ((1 << 55) - 1);
    let present = entry >> 63 == 1;
    (present && frame != 0).then(|| frame * PAGE as u64 + address % PAGE as u64)
}
