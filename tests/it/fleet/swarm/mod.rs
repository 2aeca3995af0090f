//! A shop full of machines in one process: simulated agents that speak the real protocol to a real message
//! server and a real hub, each with a connection and a memory of its own, as much trouble as a seed wants, and a
//! checker that compares what they produced with what the hub holds.

mod campaign;
mod checker;
mod figures;
mod line;
mod machine;
mod records;
mod rogue;
mod servers;

pub(super) use campaign::{Campaign, Plan, Trouble};
pub(super) use checker::{Held, Produced, check};
pub(super) use figures::{Cost, spread, timed};
pub(super) use machine::{Disk, JobHere, Told, wall_now};
pub(super) use records::Template;
