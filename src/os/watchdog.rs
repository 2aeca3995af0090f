//! The machine's own watchdog (Linux 6.12 Documentation/watchdog/watchdog-api.rst,
//! include/uapi/linux/watchdog.h): opening the device starts it, any write puts it off, and a `V` right
//! before closing stops it where the driver can. On a folder shaped like a machine the device is a plain
//! file, and what a driver would answer stands in its class entry.
#![expect(unsafe_code, reason = "asking a driver by ioctl")]

use std::fs::File;
use std::io::{self, Write};
use std::os::fd::AsRawFd;
use std::time::Duration;

use nix::libc;

use super::root::Root;

/// The first device by number, else under its old name.
const DEVICES: [&str; 2] = ["dev/watchdog0", "dev/watchdog"];
const CLASS: &str = "sys/class/watchdog/watchdog0";

const GET_SUPPORT: u64 = 0x8028_5700;
const GET_BOOT_STATUS: u64 = 0x8004_5702;
const SET_TIMEOUT: u64 = 0xC004_5706;
const GET_TIMEOUT: u64 = 0x8004_5707;
/// `WDIOF_SETTIMEOUT`, `WDIOF_MAGICCLOSE`, `WDIOF_ALARMONLY`.
const CAN_SET_TIMEOUT: u32 = 0x80;
const MAGIC_CLOSE: u32 = 0x100;
const ALARM_ONLY: u32 = 0x400;
/// Most digits of an attribute.
const ATTRIBUTE_BYTES: usize = 64;

/// The watchdog cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum OpenWatchdogError {
    /// There is none.
    #[error("this machine has no watchdog device; load the driver of its watchdog")]
    Missing,
    /// Somebody else has it.
    #[error(
        "the watchdog is in use by another program (the system's own, `RuntimeWatchdogSec` of \
         systemd, say): a machine has one"
    )]
    Busy,
    /// It cannot be stopped again.
    #[error(
        "the watchdog `{0}` cannot be stopped once it is started (`nowayout`): it would reset the \
         machine after the run; load its driver with `nowayout=0`"
    )]
    NoWayOut(String),
    /// It would not reset the machine.
    #[error("the watchdog `{0}` only raises an alarm and does not reset the machine")]
    AlarmOnly(String),
    /// Its time is too short to be kept.
    #[error("the watchdog `{name}` fires after {} s, which is too short to be put off in time", .got.as_secs())]
    TooShort {
        /// The driver's name.
        name: String,
        /// What it really set.
        got: Duration,
    },
    /// The system refused.
    #[error("cannot use the watchdog `{0}`")]
    System(&'static str, #[source] io::Error),
}

/// `struct watchdog_info`.
#[repr(C)]
#[derive(Debug, Default)]
struct Support {
    options: u32,
    firmware: u32,
    identity: [u8; 32],
}

/// What was found when it was opened.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WatchdogFacts {
    /// The driver's name.
    pub name: String,
    /// The time after which it fires, as the driver says it is now.
    pub timeout: Duration,
    /// True when it goes on after this program has died, and so notices that, too.
    pub outlives_us: bool,
    /// Why the machine was last started, flags `WDIOF_*`.
    pub boot_status: u32,
}

/// An armed watchdog; dropping it stops it in the proper way.
#[derive(Debug)]
pub struct HardwareWatchdog {
    file: File,
    facts: WatchdogFacts,
}

/// Most that a machine may stand still before its watchdog resets it; drivers may give less.
pub const WATCHDOG_TIME: Duration = Duration::from_secs(60);

/// Less time than this cannot be kept by a machine under full load.
const SHORTEST: Duration = Duration::from_secs(8);

impl HardwareWatchdog {
    /// Arms the watchdog of the machine for `wanted`, or for the time that the driver gives instead.
    ///
    /// # Errors
    /// There is none, it is in use, or it could not be stopped again: it is not armed then.
    pub fn arm(root: &Root, wanted: Duration) -> Result<Self, OpenWatchdogError> {
        let attribute = |item: &str| {
            let text = root.read_bounded(format!("{CLASS}/{item}"), ATTRIBUTE_BYTES);
            text.ok().filter(|text| !text.is_empty())
        };
        let name = attribute("identity").unwrap_or_else(|| "watchdog".to_owned());
        // Asked before it is opened, because opening starts it.
        if attribute("nowayout").is_some_and(|text| text != "0") {
            return Err(OpenWatchdogError::NoWayOut(name));
        }
        let device = DEVICES.into_iter().find(|device| root.exists(device));
        let device = device.ok_or(OpenWatchdogError::Missing)?;
        let file = File::options().write(true).open(root.path(device));
        let file = file.map_err(|error| match error.raw_os_error() {
            Some(libc::EBUSY) => OpenWatchdogError::Busy,
            Some(libc::ENODEV | libc::ENXIO) => OpenWatchdogError::Missing,
            Some(_) | None => OpenWatchdogError::System(device, error),
        })?;
        let number = |item: &str| attribute(item).and_then(|text| text.parse::<u32>().ok());
        let facts = if root.is_simulated() {
            WatchdogFacts {
                name,
                timeout: Duration::from_secs(u64::from(number("timeout").unwrap_or(60))),
                outlives_us: true,
                boot_status: number("bootstatus").unwrap_or(0),
            }
        } else {
            ask_driver(&file, name, wanted)
        };
        let armed = Self { file, facts };
        // From here on dropping it stops it.
        if armed.facts.timeout < SHORTEST {
            let (name, got) = (armed.facts.name.clone(), armed.facts.timeout);
            return Err(OpenWatchdogError::TooShort { name, got });
        }
        if !root.is_simulated() && alarm_only(&armed.file) {
            return Err(OpenWatchdogError::AlarmOnly(armed.facts.name.clone()));
        }
        Ok(armed)
    }

    /// What was found when it was armed.
    pub fn facts(&self) -> &WatchdogFacts {
        &self.facts
    }

    /// Puts it off once more.
    ///
    /// # Errors
    /// The device does not take it.
    pub fn put_off(&mut self) -> io::Result<()> {
        self.file.write_all(b"\n")
    }
}

impl Drop for HardwareWatchdog {
    fn drop(&mut self) {
        if let Err(error) = self.file.write_all(b"V") {
            tracing::error!(%error, "the watchdog cannot be stopped and will reset the machine");
        }
    }
}

fn ask_driver(file: &File, name: String, wanted: Duration) -> WatchdogFacts {
    let support = support(file);
    let end = support.identity.iter().position(|byte| *byte == 0);
    let identity = &support.identity[..end.unwrap_or(support.identity.len())];
    let identity = String::from_utf8_lossy(identity).trim().to_owned();
    if support.options & CAN_SET_TIMEOUT != 0 {
        let seconds = u32::try_from(wanted.as_secs()).unwrap_or(u32::MAX);
        drop(word(file, SET_TIMEOUT, seconds));
    }
    let timeout = word(file, GET_TIMEOUT, 0).unwrap_or(0);
    WatchdogFacts {
        name: if identity.is_empty() { name } else { identity },
        timeout: Duration::from_secs(u64::from(timeout)),
        outlives_us: support.options & MAGIC_CLOSE != 0,
        boot_status: word(file, GET_BOOT_STATUS, 0).unwrap_or(0),
    }
}

fn alarm_only(file: &File) -> bool {
    support(file).options & ALARM_ONLY != 0
}

fn support(file: &File) -> Support {
    let mut support = Support::default();
    // SAFETY: the driver fills a `struct watchdog_info` of 40 bytes, whose layout `Support` has.
    let code = unsafe { libc::ioctl(file.as_raw_fd(), GET_SUPPORT, &raw mut support) };
    if code == 0 {
        support
    } else {
        Support::default()
    }
}

/// A question whose answer, and argument, is one `int`.
fn word(file: &File, request: u64, argument: u32) -> io::Result<u32> {
    let mut value = argument.cast_signed();
    // SAFETY: all requests passed here read and write one `int` behind the pointer.
    let code = unsafe { libc::ioctl(file.as_raw_fd(), request, &raw mut value) };
    if code == 0 {
        Ok(value.cast_unsigned())
    } else {
        Err(io::Error::last_os_error())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[expect(clippy::disallowed_methods, reason = "tests look at the device file")]
    fn written(folder: &std::path::Path) -> String {
        std::fs::read_to_string(folder.join("dev/watchdog")).expect("the device")
    }

    fn machine(nowayout: &str, timeout: &str) -> tempfile::TempDir {
        let folder = tempfile::tempdir().expect("a folder");
        let class = folder.path().join(CLASS);
        std::fs::create_dir_all(&class).expect("made");
        std::fs::create_dir_all(folder.path().join("dev")).expect("made");
        std::fs::write(class.join("identity"), "invented timer\n").expect("written");
        std::fs::write(class.join("nowayout"), nowayout).expect("written");
        std::fs::write(class.join("timeout"), timeout).expect("written");
        std::fs::write(folder.path().join("dev/watchdog"), "").expect("written");
        folder
    }

    #[test]
    fn it_is_put_off_and_stopped_by_the_magic_letter_last() {
        let folder = machine("0", "30");
        let root = Root::simulated(folder.path());
        let mut watchdog = HardwareWatchdog::arm(&root, SHORTEST).expect("armed");
        assert_eq!(watchdog.facts().timeout, Duration::from_secs(30));
        assert_eq!(watchdog.facts().name, "invented timer");
        watchdog.put_off().expect("written");
        watchdog.put_off().expect("written");
        assert!(!written(folder.path()).contains('V'));
        drop(watchdog);
        assert_eq!(written(folder.path()), "\n\nV");
    }

    #[test]
    fn one_that_cannot_be_stopped_is_never_opened() {
        let folder = machine("1", "30");
        let armed = HardwareWatchdog::arm(&Root::simulated(folder.path()), SHORTEST);
        assert!(matches!(armed, Err(OpenWatchdogError::NoWayOut(_))));
        assert_eq!(written(folder.path()), "");
    }

    #[test]
    fn one_that_fires_too_soon_is_stopped_at_once() {
        let folder = machine("0", "2");
        let armed = HardwareWatchdog::arm(&Root::simulated(folder.path()), SHORTEST);
        assert!(matches!(armed, Err(OpenWatchdogError::TooShort { .. })));
        assert_eq!(written(folder.path()), "V");
    }

    #[test]
    fn a_machine_without_one_says_so() {
        let folder = tempfile::tempdir().expect("a folder");
        let armed = HardwareWatchdog::arm(&Root::simulated(folder.path()), SHORTEST);
        assert!(matches!(armed, Err(OpenWatchdogError::Missing)));
    }
}
