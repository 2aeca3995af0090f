//! What was measured, as plain data, and how a rate is held against a limit.

use crate::kernels::limit::Limit;
use crate::kernels::{Detected, Work};
use crate::model::{InstructionSet, LoadClass, MemoryLevel};

/// A median with its spread.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spread {
    /// Median over the repeats.
    pub median: f64,
    /// Distance of the quartiles divided by the median.
    pub spread: f64,
}

impl Spread {
    /// Of `values`; zero when there are none.
    pub fn of(values: impl IntoIterator<Item = f64>) -> Self {
        let mut sorted: Vec<f64> = values.into_iter().collect();
        sorted.sort_by(f64::total_cmp);
        let median = quantile(&sorted, 1, 2);
        let distance = quantile(&sorted, 3, 4) - quantile(&sorted, 1, 4);
        let spread = if median > 0.0 { distance / median } else { 0.0 };
        Self { median, spread }
    }
}

/// The value at `numerator / denominator` of the way through `sorted`.
fn quantile(sorted: &[f64], numerator: usize, denominator: usize) -> f64 {
    let place = sorted.len().saturating_sub(1) * numerator;
    let (below, rest) = (place / denominator, place % denominator);
    let low = sorted.get(below).copied().unwrap_or(0.0);
    let high = sorted.get(below + 1).copied().unwrap_or(low);
    #[expect(clippy::cast_precision_loss, reason = "below the denominator")]
    let share = rest as f64 / denominator as f64;
    low + (high - low) * share
}

/// What a rate counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RateUnit {
    /// Floating-point operations in double precision.
    DoubleFlops,
    /// The same in single precision.
    SingleFlops,
    /// Integer operations.
    IntegerOperations,
    /// Integer divisions.
    Divisions,
    /// Hashed blocks of 64 bytes.
    HashBlocks,
    /// Bytes read and written.
    Bytes,
    /// Cache lines changing their owner.
    Exchanges,
    /// Whole passes: a kernel that waits on purpose.
    Passes,
}

impl RateUnit {
    /// How much of it `work` is.
    #[expect(clippy::cast_precision_loss, reason = "counts of a round")]
    pub(super) fn amount(self, work: &Work) -> f64 {
        (match self {
            Self::DoubleFlops => work.double_flops,
            Self::SingleFlops => work.single_flops,
            Self::IntegerOperations => work.integer_operations,
            Self::Divisions => work.divisions,
            Self::HashBlocks => work.hash_blocks,
            Self::Bytes => work.bytes,
            Self::Exchanges => work.exchanges,
            Self::Passes => 1,
        }) as f64
    }
}

/// What bounds a kernel.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Bound {
    /// A unit of the core, by a bare loop.
    Core(Limit),
    /// Memory, by a plain pass that inverts in place.
    InPlacePass,
    /// A bare hand-over of one line from core to core.
    BareHandover,
}

/// A bare loop's figure.
#[derive(Debug, Clone, PartialEq)]
pub struct LimitFigure {
    /// What bounds it.
    pub limit: Limit,
    /// The path.
    pub set: InstructionSet,
    /// What is counted.
    pub unit: RateUnit,
    /// Amount a cycle of the core.
    pub per_cycle: Spread,
}

/// What memory does at most, in bytes a second, read and written both counted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MemoryLimits {
    /// A pass that inverts in place.
    pub in_place: Spread,
    /// A pass that only reads.
    pub read: Spread,
    /// The better of two ways to copy.
    pub copy: Spread,
    /// Bytes walked over.
    pub bytes: usize,
}

/// A rate held against a limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OfLimit {
    /// The limit that the kernel comes nearest to.
    pub bound: Bound,
    /// Share of it, 0..1 (a little above where the limit itself was disturbed).
    pub fraction: Spread,
}

/// A kernel's figures.
#[derive(Debug, Clone, PartialEq)]
pub struct KernelFigure {
    /// Its name.
    pub name: &'static str,
    /// Load class.
    pub class: LoadClass,
    /// The path that was measured.
    pub set: InstructionSet,
    /// What `rate_per_s` counts.
    pub unit: RateUnit,
    /// Amount a second on one core (group kernels: on all together).
    pub rate_per_s: f64,
    /// The nearest limit; none for kernels without one.
    pub of_limit: Option<OfLimit>,
    /// Share of a pass that goes into setting up and into digests, where it can be told.
    pub checking: Option<f64>,
    /// Core clock by a probe right after the passes, in MHz.
    pub clock_mhz: f64,
    /// True when an answer was not the known one.
    pub wrong: bool,
}

/// A load class on all cores at once.
#[derive(Debug, Clone, PartialEq)]
pub struct ClassFigure {
    /// Class.
    pub class: LoadClass,
    /// The kernel that stood for it.
    pub kernel: &'static str,
    /// Slowest core by its best probe under the load, in MHz.
    pub slowest_mhz: f64,
    /// Fastest core, in MHz.
    pub fastest_mhz: f64,
    /// Work of all cores together divided by so many times that of one alone.
    pub scaling: Option<f64>,
}

/// All that was measured.
#[derive(Debug, Clone, PartialEq)]
pub struct Measured {
    /// Physical cores used.
    pub cores: usize,
    /// Repeats behind the medians of one core.
    pub repeats: usize,
    /// How long it took, in seconds.
    pub seconds: f64,
    /// Share of the time that other programs took from the measuring threads, 0..1.
    pub lost_share: f64,
    /// Median spread of the clock probes: large where the host of a virtual machine takes time.
    pub probe_spread: f64,
    /// Bare loops.
    pub limits: Vec<LimitFigure>,
    /// Memory.
    pub memory: MemoryLimits,
    /// Kernels by class.
    pub kernels: Vec<KernelFigure>,
    /// Classes on all cores.
    pub classes: Vec<ClassFigure>,
}

impl Measured {
    /// True when a kernel gave a wrong answer on the way.
    pub fn any_wrong(&self) -> bool {
        self.kernels.iter().any(|kernel| kernel.wrong)
    }
}

/// The limits that a kernel's work on `set` is to be held against, each with what is counted.
pub(super) fn bounds_of(
    work: &Work,
    set: InstructionSet,
    level: MemoryLevel,
) -> Vec<(Limit, InstructionSet, RateUnit)> {
    use InstructionSet::{Avx2, Avx512, Avx512Ifma, Portable, ScalarFma, Sha, X86};
    let float_set = match set {
        Portable | X86 | Sha => Portable,
        ScalarFma | Avx2 | Avx512 => set,
        Avx512Ifma => Avx512,
    };
    let (integer, integer_set) = match set {
        Avx2 | Avx512 => (Limit::VectorInteger, set),
        Avx512Ifma => (Limit::VectorInteger, Avx512),
        Portable | X86 | Sha | ScalarFma if level == MemoryLevel::Registers => {
            (Limit::IntegerAlu, Portable)
        }
        Portable | X86 | Sha | ScalarFma => (Limit::Dispatch, Portable),
    };
    let all = [
        (Limit::DoubleMultiplyAdd, float_set, RateUnit::DoubleFlops),
        (Limit::SingleMultiplyAdd, float_set, RateUnit::SingleFlops),
        (integer, integer_set, RateUnit::IntegerOperations),
        (Limit::Divide, Portable, RateUnit::Divisions),
        (Limit::HashRounds, Sha, RateUnit::HashBlocks),
    ];
    let counted = all.into_iter();
    counted
        .filter(|(_, _, unit)| unit.amount(work) > 0.0)
        .collect()
}

/// What of `work` takes room in the core: on scalar paths loads and stores of a word each do so too.
pub(super) fn amount_against(limit: Limit, unit: RateUnit, work: &Work) -> f64 {
    let moved = match limit {
        Limit::Dispatch => RateUnit::Bytes.amount(work) / 8.0,
        Limit::IntegerAlu
        | Limit::VectorInteger
        | Limit::DoubleMultiplyAdd
        | Limit::SingleMultiplyAdd
        | Limit::Divide
        | Limit::HashRounds => 0.0,
    };
    unit.amount(work) + moved
}

/// The unit in which a limit counts.
pub(super) fn unit_of(limit: Limit) -> RateUnit {
    match limit {
        Limit::Dispatch | Limit::IntegerAlu | Limit::VectorInteger => RateUnit::IntegerOperations,
        Limit::DoubleMultiplyAdd => RateUnit::DoubleFlops,
        Limit::SingleMultiplyAdd => RateUnit::SingleFlops,
        Limit::Divide => RateUnit::Divisions,
        Limit::HashRounds => RateUnit::HashBlocks,
    }
}

/// Vector set whose clock a probe has to see, for a kernel or loop on `set`.
pub(super) fn wide_of(set: InstructionSet, detected: &Detected) -> Option<InstructionSet> {
    let wide = matches!(
        set,
        InstructionSet::Avx2 | InstructionSet::Avx512 | InstructionSet::Avx512Ifma
    );
    (wide && detected.has(set)).then_some(set)
}
