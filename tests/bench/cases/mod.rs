//! The cases, by number of issue 7.

mod flips;
mod heat;
mod power;

use anyhow::Result;

use crate::Bench;

/// One case.
#[derive(Debug)]
pub(crate) struct Case {
    pub(crate) name: &'static str,
    pub(crate) shows: &'static str,
    pub(crate) run: fn(&Bench) -> Result<()>,
}

/// All of them, in the order in which they run.
pub(crate) const ALL: &[Case] = &[
    Case {
        name: "heat-ceiling",
        shows: "1: a ceiling reached stops the load in time; notices go out",
        run: heat::ceiling,
    },
    Case {
        name: "heat-blind",
        shows: "1: a thermometer that breaks, vanishes or answers late",
        run: heat::blind,
    },
    Case {
        name: "heat-frozen",
        shows: "1: a thermometer that does not move",
        run: heat::frozen,
    },
    Case {
        name: "flip-walk",
        shows: "4: a walk names the bit that was flipped",
        run: flips::walk,
    },
    Case {
        name: "flip-compute",
        shows: "4: a bit of a computing worker's state",
        run: flips::compute,
    },
    Case {
        name: "power-cut",
        shows: "5: the power goes in mid-run",
        run: power::cut,
    },
    Case {
        name: "panic",
        shows: "5: a kernel panic in mid-run, with its kept words",
        run: power::panic,
    },
];
