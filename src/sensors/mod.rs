//! Readers over a root folder, the instruments that read them all, and what the machine says of
//! itself.
//!
//! A missing, forbidden or lying sensor is data (a gap or a loss), never an error and never a
//! zero. Everything is read and nothing is ever written. Names and numbers from the machine are not
//! trusted: they are cleaned, bounded and checked for what can physically be.

mod cpufreq;
mod edac;
mod energy;
mod fingerprint;
mod hardware;
mod hwmon;
mod instruments;
mod kmsg;
mod machine;
mod machinecheck;
mod powercap;
mod pressure;
mod probe;
mod roles;
mod smbios;
mod text;
mod thermal;
mod throttle;
mod topology;

pub use fingerprint::read_fingerprint;
pub use hardware::MAX_FINDINGS;
pub use instruments::{InstrumentOptions, Instruments, MAX_CHANNELS, MAX_KEPT_DESCRIPTORS};
pub use kmsg::{LogEvent, LogRecord, parse_event, parse_record};
pub use machine::read_machine;
pub use machinecheck::read_check_interval;
pub use pressure::{MemoryPressure, read_memory_pressure};
pub use probe::SLOW_PERIOD;
pub use roles::RoleOverride;
pub use text::{MAX_ATTRIBUTE_BYTES, MAX_LABEL_CHARS, MAX_LINE_CHARS, clean};
