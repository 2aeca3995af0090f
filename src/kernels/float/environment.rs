//! The floating-point environment of the calling thread: how results are rounded and what becomes of
//! numbers too small to be normal. Known answers hold for one environment only, and whoever started the
//! process may have left another.

#[cfg(target_arch = "x86_64")]
use super::control;

/// Round to nearest with ties to even, keep subnormal numbers, trap nothing, no flag raised: the
/// default of IEEE 754-2019 (sections 4.3.3, 7.1), and MXCSR after reset.
#[cfg(target_arch = "x86_64")]
const DEFAULT: u32 = 0x1F80;
/// Flags raised by operations; all else is control.
#[cfg(target_arch = "x86_64")]
const FLAGS: u32 = 0x3F;

/// The environment cannot be set.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
#[error("floating-point control is {found:#06x} where {wanted:#06x} was just written")]
pub struct FloatEnvironmentError {
    /// What was written.
    pub wanted: u32,
    /// What was read back.
    pub found: u32,
}

/// Sets the default environment and reads it back. Elsewhere than on x86-64 nothing is done: a new
/// thread has the default there.
///
/// # Errors
/// What is read back is something else.
pub fn set_float_environment() -> Result<(), FloatEnvironmentError> {
    #[cfg(target_arch = "x86_64")]
    {
        control::write(DEFAULT);
        let found = control::read() & !FLAGS;
        if found != DEFAULT {
            return Err(FloatEnvironmentError {
                wanted: DEFAULT,
                found,
            });
        }
    }
    Ok(())
}

#[cfg(all(test, target_arch = "x86_64"))]
mod tests {
    use std::hint::black_box;

    use super::*;

    /// Flush to zero, denormals are zero, round towards zero.
    const OTHER: [u32; 3] = [DEFAULT | 1 << 15, DEFAULT | 1 << 6, DEFAULT | 3 << 13];

    #[test]
    fn whatever_the_environment_was_results_are_those_of_the_standard() {
        // Behind a pointer, so that nothing is computed before the register is set.
        fn judge() -> bool {
            let tiny = black_box(f64::MIN_POSITIVE) * black_box(0.5);
            let sum = black_box(1.0) + black_box(f64::EPSILON * 0.75);
            // IEEE 754-2019: gradual underflow, and the nearer neighbour.
            let back = black_box(tiny) * black_box(2.0);
            back != f64::MIN_POSITIVE || sum != 1.0 + f64::EPSILON
        }
        let wrong = black_box(judge as fn() -> bool);
        for other in OTHER {
            control::write(other);
            let was_wrong = wrong();
            set_float_environment().expect("the register can be written");
            assert!(was_wrong, "{other:#x} changes nothing");
            assert!(!wrong(), "after {other:#x}");
            assert_eq!(control::read() & !FLAGS, DEFAULT);
        }
    }
}
