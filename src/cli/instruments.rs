//! `instruments`: what this machine offers, what is missing, why, and what would help.

use super::arguments::InstrumentArguments;
use super::run::style;
use super::{Exit, Failure, put, put_json};
use crate::kernels;
use crate::os;
use crate::report;
use crate::sensors::{InstrumentOptions, Instruments, read_machine};

/// Two rounds this far apart, so that power can be told from energy counters.
const BETWEEN_ROUNDS: std::time::Duration = std::time::Duration::from_millis(250);

/// Runs the command.
pub(super) fn instruments(wanted: &InstrumentArguments) -> Result<Exit, Failure> {
    let root = wanted.machine.root();
    let machine = read_machine(&root, &os::allowed_cpus(), kernels::detect().sets());
    let mut instruments = Instruments::open(&root, &InstrumentOptions::default(), os::moment());
    instruments.read(os::moment());
    os::wait(BETWEEN_ROUNDS);
    let (readings, lost) = instruments.read(os::moment());
    let view = report::InstrumentsSeen {
        machine: &machine,
        channels: instruments.channels(),
        readings: &readings,
        lost: &lost,
        gaps: instruments.gaps(),
    };
    if wanted.output.json {
        put_json(&report::instruments_json(&view));
    } else {
        put(&report::instruments_text(&view, style()));
    }
    Ok(Exit::Fine)
}
