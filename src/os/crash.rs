//! What a worker leaves behind when the processor throws an exception at it: a handler on a stack of
//! its own writes signal, code, address and instruction pointer into shared words and lets the
//! signal take its course. A signal that some process sent is told apart by its code.
#![expect(unsafe_code, reason = "signal handlers and their stack")]

use std::sync::atomic::{AtomicPtr, AtomicU64, Ordering};

use nix::libc;
use nix::sys::signal::{SaFlags, SigAction, SigHandler, SigSet, Signal, sigaction};

/// What the handler wrote.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TrapNote {
    /// Signal number.
    pub signal: i32,
    /// `si_code`.
    pub code: i32,
    /// `si_addr`.
    pub address: u64,
    /// Instruction pointer.
    pub instruction: u64,
}

impl TrapNote {
    /// Words that a note takes.
    pub const WORDS: usize = 4;

    /// The note in `words`, if the handler has written one.
    pub fn read(words: &[AtomicU64]) -> Option<Self> {
        let word = |index: usize| words.get(index).map_or(0, |w| w.load(Ordering::Acquire));
        let signal = i32::try_from(word(0)).ok().filter(|signal| *signal != 0)?;
        let low = u32::try_from(word(1) & 0xffff_ffff).unwrap_or(0);
        Some(Self {
            signal,
            code: i32::from_ne_bytes(low.to_ne_bytes()),
            address: word(2),
            instruction: word(3),
        })
    }
}

const EXCEPTIONS: [Signal; 5] = [
    Signal::SIGSEGV,
    Signal::SIGILL,
    Signal::SIGBUS,
    Signal::SIGFPE,
    Signal::SIGTRAP,
];

/// True for the signals that processor exceptions arrive as.
pub fn is_processor_exception(signal: i32) -> bool {
    EXCEPTIONS.iter().any(|known| *known as i32 == signal)
}

/// True for codes that say a process sent the signal (`SI_USER`, `SI_TKILL`, `SI_QUEUE` ...).
pub fn was_sent(code: i32) -> bool {
    code <= 0
}

static NOTE: AtomicPtr<AtomicU64> = AtomicPtr::new(std::ptr::null_mut());

#[cfg(target_arch = "x86_64")]
fn instruction_pointer(context: &libc::ucontext_t) -> u64 {
    context.uc_mcontext.gregs[libc::REG_RIP as usize].cast_unsigned()
}

#[cfg(target_arch = "aarch64")]
fn instruction_pointer(context: &libc::ucontext_t) -> u64 {
    context.uc_mcontext.pc
}

extern "C" fn note_trap(
    signal: libc::c_int,
    info: *mut libc::siginfo_t,
    context: *mut libc::c_void,
) {
    let note = NOTE.load(Ordering::Acquire);
    // SAFETY: the kernel hands a valid siginfo to a SA_SIGINFO handler.
    let info = unsafe { &*info };
    let code = info.si_code;
    if !note.is_null() {
        // SAFETY: the address member is plain data for whichever signal filled the structure.
        let address = unsafe { info.si_addr() } as u64;
        // SAFETY: the kernel hands a valid ucontext to a SA_SIGINFO handler.
        let context = unsafe { &*context.cast::<libc::ucontext_t>() };
        let instruction = instruction_pointer(context);
        // SAFETY: `install_crash_notes` stored a pointer to `WORDS` words that live for ever.
        let words = unsafe { std::slice::from_raw_parts(note, TrapNote::WORDS) };
        words[1].store(u64::from(code.cast_unsigned()), Ordering::Relaxed);
        words[2].store(address, Ordering::Relaxed);
        words[3].store(instruction, Ordering::Relaxed);
        words[0].store(u64::from(signal.cast_unsigned()), Ordering::Release);
    }
    if was_sent(code) {
        // SAFETY: the disposition is the default again (SA_RESETHAND); a true exception happens
        // again by itself when the handler returns, a sent one does not.
        unsafe { libc::raise(signal) };
    }
}

/// Has processor exceptions of this process noted in the first [`TrapNote::WORDS`] of `words`.
pub fn install_crash_notes(words: &'static [AtomicU64]) {
    assert!(words.len() >= TrapNote::WORDS, "room for a note");
    NOTE.store(words.as_ptr().cast_mut(), Ordering::Release);
    let stack = Box::leak(vec![0_u8; 64 * 1024].into_boxed_slice());
    let alternate = libc::stack_t {
        ss_sp: stack.as_mut_ptr().cast(),
        ss_flags: 0,
        ss_size: stack.len(),
    };
    // SAFETY: the stack is leaked, so it outlives the process's last signal.
    unsafe { libc::sigaltstack(&raw const alternate, std::ptr::null_mut()) };
    let flags = SaFlags::SA_SIGINFO | SaFlags::SA_ONSTACK | SaFlags::SA_RESETHAND;
    let action = SigAction::new(SigHandler::SigAction(note_trap), flags, SigSet::empty());
    for signal in EXCEPTIONS {
        // SAFETY: the handler only touches atomics and calls `raise`, both async-signal-safe.
        let installed = unsafe { sigaction(signal, &action) };
        debug_assert!(installed.is_ok());
    }
}
