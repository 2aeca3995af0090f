//! Readers over a root folder, the instruments that read them all, and what the machine says of
//! itself.
//!
//! A missing, forbidden or lying sensor is data (a gap or a loss), never an error and never a
//! zero. Everything is read and nothing is ever written. Names and numbers from the machine are not
//! trusted: they are cleaned, bounded and checked for what can physically be.

mod boot_log;
mod cpufreq;
mod crash_lines;
mod edac;
mod energy;
mod fingerprint;
mod hardware;
mod hwmon;
mod instruments;
mod journal;
mod kept;
mod kmsg;
mod machine;
mod machinecheck;
mod powercap;
mod pressure;
mod probe;
mod pstore;
mod roles;
mod rtc;
mod smbios;
mod text;
mod thermal;
mod throttle;
mod topology;
mod watchdog;

pub use boot_log::{BootMark, read_boot_marks};
pub use crash_lines::{CrashLine, parse_crash_line};
pub use fingerprint::read_fingerprint;
pub use hardware::MAX_FINDINGS;
pub use instruments::{InstrumentOptions, Instruments, MAX_CHANNELS, MAX_KEPT_DESCRIPTORS};
pub use journal::{JournalLine, read_boot_journal};
pub use kmsg::{LogEvent, LogRecord, join_details, parse_event, parse_record};
pub use machine::{read_machine, read_serial};
pub use machinecheck::read_check_interval;
pub use pressure::{MemoryPressure, read_memory_pressure};
pub use probe::SLOW_PERIOD;
pub use pstore::{KeptRecord, read_kept_records};
pub use roles::RoleOverride;
pub use rtc::{RtcEdge, TimeBase, wait_for_rtc_edge};
pub use text::{MAX_ATTRIBUTE_BYTES, MAX_LABEL_CHARS, MAX_LINE_CHARS, clean};
pub use watchdog::{WATCHDOG_RESET, boot_status_words, read_boot_status};
