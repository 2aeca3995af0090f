//! One channel with what is needed to read it again and again, and the rules that turn a file's
//! content (or the system's refusal) into a value or a stated loss.
//!
//! A reading that is not to be trusted is a loss, never a zero.

use std::io;
use std::time::Duration;

use super::energy::EnergyMeter;
use super::kept::KeptFile;
use super::text::parse_number;
use crate::model::{Channel, ChannelId, Loss, Moment, Mono, Quantity, Role};
use crate::os::Root;

/// Firmware-mediated channels are asked at most this often (rulings: Heat).
pub const SLOW_PERIOD: Duration = Duration::from_secs(10);

/// How the number in the file becomes the channel's unit.
#[derive(Debug)]
pub(super) enum Conversion {
    /// Divided by this.
    Divide(f64),
    /// Cumulative microjoules, turned into watts.
    Energy(EnergyMeter),
}

/// A channel and its file.
#[derive(Debug)]
pub(super) struct Probe {
    /// What the rest of the program sees.
    pub(super) channel: Channel,
    /// The file's own name of the measured thing (`temp3`).
    pub(super) item: String,
    /// Value from which on the sensor is at the end of its scale.
    pub(super) scale_end: Option<f64>,
    /// The driver's fault flag.
    pub(super) fault: Option<KeptFile>,
    pub(super) conversion: Conversion,
    file: KeptFile,
    polled: Option<Mono>,
}

impl Probe {
    /// A probe of the file `source`, divided by `divisor`.
    pub(super) fn new(quantity: Quantity, source: String, divisor: f64) -> Self {
        Self {
            file: KeptFile::new(source.clone()),
            channel: Channel {
                id: ChannelId(0),
                quantity,
                role: Role::Unknown,
                source,
                chip: String::new(),
                label: String::new(),
                core: None,
                limit: None,
                critical: None,
                step: None,
                slow: false,
            },
            item: String::new(),
            scale_end: None,
            fault: None,
            conversion: Conversion::Divide(divisor),
            polled: None,
        }
    }

    /// Names the chip, the item and the label (the item's own name where there is none).
    pub(super) fn named(mut self, chip: &str, item: &str, label: Option<String>) -> Self {
        chip.clone_into(&mut self.channel.chip);
        item.clone_into(&mut self.item);
        self.channel.label = label.unwrap_or_else(|| item.to_owned());
        self
    }

    /// Keeps its files open from the next reading on, while `left` descriptors are not used up.
    pub(super) fn keep(&mut self, left: &mut usize) {
        self.file.keep(left);
        if let Some(fault) = &mut self.fault {
            fault.keep(left);
        }
    }

    /// Reads the channel; none when there is nothing to say now (a slow channel between two
    /// polls, an energy counter before its second reading).
    pub(super) fn read(&mut self, root: &Root, at: Moment) -> Option<Result<f64, Loss>> {
        if self.channel.slow {
            let due = |last: Mono| at.mono.since(last) >= SLOW_PERIOD;
            if !self.polled.is_none_or(due) {
                return None;
            }
            self.polled = Some(at.mono);
        }
        let text = match self.read_file(root) {
            Ok(text) => text,
            Err(loss) => return Some(Err(loss)),
        };
        let value = match &mut self.conversion {
            Conversion::Divide(divisor) => parse_reading(&text).map(|number| number / *divisor),
            Conversion::Energy(meter) => match text.parse::<u64>() {
                Ok(count) => meter.read(count, at.mono)?,
                Err(_) => parse_reading(&text).and(Err(Loss::Implausible)),
            },
        };
        Some(value.and_then(|value| self.check(value)))
    }

    fn read_file(&mut self, root: &Root) -> Result<String, Loss> {
        let flag = self.fault.as_mut().map(|fault| fault.read(root));
        if flag.is_some_and(|flag| flag.is_ok_and(|text| text == "1")) {
            return Err(Loss::Faulty);
        }
        self.file.read(root).map_err(|error| classify_loss(&error))
    }

    fn check(&self, value: f64) -> Result<f64, Loss> {
        let (least, most) = plausible(self.channel.quantity);
        if !(least..=most).contains(&value) {
            return Err(Loss::Implausible);
        }
        if self
            .scale_end
            .is_some_and(|end| value >= end || value <= 0.0)
        {
            return Err(Loss::Clipped);
        }
        Ok(value)
    }
}

/// An empty file is a driver without data (an offline CPU's counters read so); anything that is
/// not a number is not believed.
fn parse_reading(text: &str) -> Result<f64, Loss> {
    if text.is_empty() {
        return Err(Loss::NoData);
    }
    parse_number(text).ok_or(Loss::Implausible)
}

/// What a refused read means. Transient refusals are losses of one sample.
pub(super) fn classify_loss(error: &io::Error) -> Loss {
    use nix::libc::{EACCES, EISDIR, ENODEV, ENOENT, ENOTDIR, ENXIO, EPERM, ESTALE};
    match error.raw_os_error() {
        Some(EACCES | EPERM) => Loss::Forbidden,
        Some(ENOENT | ENODEV | ENXIO | ENOTDIR | EISDIR | ESTALE) => Loss::Vanished,
        // ENODATA (switched off), EIO, EAGAIN, ETIMEDOUT, EINVAL and whatever a driver invents.
        Some(_) | None => Loss::NoData,
    }
}

/// What can physically be, per quantity; temperatures by the rulings, the rest wide (common
/// practice: no desktop or server part comes near).
fn plausible(quantity: Quantity) -> (f64, f64) {
    match quantity {
        Quantity::Temperature => (-20.0, 125.0),
        Quantity::Voltage => (-500_000.0, 500_000.0),
        Quantity::Fan => (0.0, 100_000.0),
        Quantity::Current => (-5_000.0, 5_000.0),
        Quantity::Power => (0.0, 5_000.0),
        Quantity::Clock => (1.0, 20_000.0),
        Quantity::ThrottleEvents | Quantity::CorrectedErrors | Quantity::UncorrectedErrors => {
            (0.0, 9e15)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Linux 6.12 Documentation/hwmon/sysfs-interface.rst: a disabled sensor reads -ENODATA;
    /// drivers may return -EIO or -EAGAIN for a moment.
    #[test]
    fn each_refusal_of_the_system_has_its_loss() {
        use nix::libc::{EACCES, EAGAIN, EIO, ENODATA, ENODEV, ENOENT, EPERM, ETIMEDOUT};
        let loss = |code| classify_loss(&io::Error::from_raw_os_error(code));
        for code in [ENODATA, EIO, EAGAIN, ETIMEDOUT] {
            assert_eq!(loss(code), Loss::NoData, "{code}");
        }
        for code in [EACCES, EPERM] {
            assert_eq!(loss(code), Loss::Forbidden, "{code}");
        }
        for code in [ENOENT, ENODEV] {
            assert_eq!(loss(code), Loss::Vanished, "{code}");
        }
    }

    #[test]
    fn nothing_written_is_no_data_and_garbage_is_not_believed() {
        assert_eq!(parse_reading(""), Err(Loss::NoData));
        assert_eq!(parse_reading("banana"), Err(Loss::Implausible));
        assert_eq!(parse_reading("0"), Ok(0.0));
    }
}
