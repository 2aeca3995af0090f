//! The processor's sticky note that a result had to be rounded (IEEE 754-2019 section 7.6). Work whose
//! results are all exact leaves it clear; an operand in which a bit flipped may be rounded away in a sum
//! without a trace in the result, but not without raising it.

#[cfg(target_arch = "x86_64")]
use super::control;

/// Flag of an inexact result in MXCSR.
#[cfg(target_arch = "x86_64")]
const INEXACT: u32 = 1 << 5;

/// Runs `work`, which keeps operands and results in memory, and tells whether a result in it was
/// rounded; always false where the flag cannot be read.
#[inline(always)]
pub(super) fn was_rounded(work: impl FnOnce()) -> bool {
    #[cfg(target_arch = "x86_64")]
    {
        control::write(control::read() & !INEXACT);
        work();
        control::read() & INEXACT != 0
    }
    #[cfg(not(target_arch = "x86_64"))]
    {
        work();
        false
    }
}

#[cfg(all(test, target_arch = "x86_64"))]
mod tests {
    use super::*;

    #[test]
    fn a_sum_that_does_not_fit_is_told_and_an_exact_one_is_not() {
        let add = |left: f64, right: f64| {
            let mut memory = std::hint::black_box([left, right]);
            let rounded = was_rounded(|| memory[0] = std::hint::black_box(memory[0] + memory[1]));
            (rounded, memory[0])
        };
        let most = 9_007_199_254_740_992.0; // 2^53, above which not every integer is a double.
        assert_eq!(
            add(most, 1.0),
            (true, most),
            "the sum swallows it without a trace"
        );
        assert_eq!(add(most, 2.0), (false, most + 2.0));
        assert_eq!(
            add(0.5, 0.25),
            (false, 0.75),
            "the flag does not stay from before"
        );
    }
}
