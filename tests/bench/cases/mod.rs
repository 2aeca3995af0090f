//! The cases; each says which number of issue 7 it belongs to.

mod board;
mod changes;
mod disk_cuts;
mod flips;
mod hang;
mod heat;
mod limit;
mod machine_check;
mod power;
mod systemd;
mod tuning;

use anyhow::Result;

use crate::Bench;

/// One case.
#[derive(Debug)]
pub(crate) struct Case {
    pub(crate) name: &'static str,
    pub(crate) shows: &'static str,
    pub(crate) run: fn(&Bench) -> Result<()>,
}

const fn case(name: &'static str, shows: &'static str, run: fn(&Bench) -> Result<()>) -> Case {
    Case { name, shows, run }
}

/// All of them, in the order in which they begin: the long ones first.
#[rustfmt::skip]
pub(crate) const ALL: &[Case] = &[
    case("tuning", "8: `advise` leads to the right voltage, one change and one start at a time", tuning::search),
    case("disk-cuts", "5: the power goes at 50 instants, and with a disk that lied", disk_cuts::cuts),
    case("hang-all", "5: every processor stands still, the watchdog resets", hang::all),
    case("hang-one", "5: one processor stands still", hang::one),
    case("heat-plateau", "1: the load itself heats a body, and a plateau is seen", heat::plateau),
    case("heat-frozen", "1: a thermometer that does not move", heat::frozen),
    case("heat-blind", "1: a thermometer that breaks, vanishes or answers late", heat::blind),
    case("heat-ceiling", "1: a ceiling that is reached stops the load in time; notices go out", heat::ceiling),
    case("board", "2: the core voltage sags, a fan stops", board::trouble),
    case("board-doubtful", "2: two core voltages disagree, a meter of power vanishes", board::doubtful),
    case("mce-corrected", "3: a corrected machine check in mid-run", machine_check::corrected),
    case("mce-recoverable", "3: an uncorrected word in a worker's memory", machine_check::recoverable),
    case("mce-fatal", "3: a machine check that ends in a panic", machine_check::fatal),
    case("memory-counters", "3: counters of a memory controller", machine_check::counters),
    case("platform-record", "3: a record of the platform's firmware", machine_check::platform),
    case("flip-walk", "4: a walk names the bit that was flipped", flips::walk),
    case("flip-stuck", "4: a bit that stays set whatever is stored", flips::stuck),
    case("flip-compute", "4: a bit of a computing worker's state", flips::compute),
    case("power-cut", "5: the power goes in mid-run", power::cut),
    case("panic", "5: a kernel panic in mid-run, with its kept words", power::panic),
    case("changes", "6: firmware, memory rate and microcode changed without a word", changes::undeclared),
    case("changes-unshown", "6: a declared change that the machine does not show", changes::unshown),
    case("clock-limit", "7: the clock is limited from outside in mid-run", limit::throttled),
];

/// Not among `all`, for what it needs besides: root, `debootstrap`, `cargo-deb`.
#[rustfmt::skip]
pub(crate) const BY_NAME: &[Case] = &[
    case("systemd", "9: the package, its unit and its programs under a real service manager", systemd::service),
];
