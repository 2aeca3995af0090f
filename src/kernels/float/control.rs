//! The control and status register of the floating-point unit (MXCSR). Whoever writes it has to see to
//! it that ordinary code finds the default environment again, which Rust assumes.

#![expect(unsafe_code, reason = "the control register has no safe access")]

/// Counts as reading and writing memory, so that no work on memory is moved over it.
pub(super) fn read() -> u32 {
    let mut control = 0_u32;
    // SAFETY: stores four bytes at the address of a local variable.
    unsafe {
        std::arch::asm!("stmxcsr [{}]", in(reg) &raw mut control, options(nostack, preserves_flags));
    }
    control
}

/// As [`read`]. No reserved bit may be set in `control`.
pub(super) fn write(control: u32) {
    // SAFETY: loads four bytes from the address of a local variable.
    unsafe {
        std::arch::asm!("ldmxcsr [{}]", in(reg) &raw const control, options(nostack, preserves_flags));
    }
}
