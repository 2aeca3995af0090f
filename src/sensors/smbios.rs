//! The firmware's table of what is plugged in, `sys/firmware/dmi/tables/DMI` (DMTF DSP0134 System
//! Management BIOS 3.7; Linux Documentation/ABI/testing/sysfs-firmware-dmi-tables). Root alone may
//! read it on most machines. Its texts and figures are the firmware's word, not a measurement.

use std::io::Read;

use smbioslib::{
    MemorySize, MemorySizeExtended, MemorySpeed, MemorySpeedExtended, ProcessorExternalClock,
    SMBiosData, SMBiosMemoryDevice, SMBiosProcessorInformation, SMBiosString,
};

use super::text::clean;
use crate::model::MemoryModule;
use crate::os::Root;

const TABLE: &str = "sys/firmware/dmi/tables/DMI";
/// Largest table read; real ones have a few KiB.
const MAX_TABLE_BYTES: u64 = 1 << 20;
/// Most modules believed.
const MAX_MODULES: usize = 256;

/// What the table tells of memory and clocks.
pub(super) struct Table {
    pub(super) modules: Vec<MemoryModule>,
    pub(super) reference_mhz: Option<f64>,
}

/// The table; none when it is missing, may not be read, or names no structure at all.
pub(super) fn read_table(root: &Root) -> Option<Table> {
    let file = root.open_nonblocking(TABLE).ok()?;
    let mut bytes = Vec::new();
    file.take(MAX_TABLE_BYTES).read_to_end(&mut bytes).ok()?;
    parse_table(bytes)
}

fn parse_table(bytes: Vec<u8>) -> Option<Table> {
    let table = SMBiosData::from_vec_and_version(bytes, None);
    table.iter().next()?;
    let devices = table.defined_struct_iter::<SMBiosMemoryDevice<'_>>();
    let clocks = table.defined_struct_iter::<SMBiosProcessorInformation<'_>>();
    Some(Table {
        modules: devices
            .filter_map(|device| module(&device))
            .take(MAX_MODULES)
            .collect(),
        reference_mhz: clocks
            .filter_map(|processor| match processor.external_clock()? {
                ProcessorExternalClock::MHz(mhz) => Some(f64::from(mhz)),
                ProcessorExternalClock::Unknown => None,
            })
            .next(),
    })
}

/// A module that is plugged in.
fn module(device: &SMBiosMemoryDevice<'_>) -> Option<MemoryModule> {
    let speed = |speed: Option<MemorySpeed>, extended: Option<MemorySpeedExtended>| match speed? {
        MemorySpeed::MTs(mts) => Some(u32::from(mts)),
        MemorySpeed::SeeExtendedSpeed => match extended? {
            MemorySpeedExtended::MTs(mts) => Some(mts),
            MemorySpeedExtended::SeeSpeed => None,
        },
        MemorySpeed::Unknown => None,
    };
    let bytes = match device.size()? {
        MemorySize::Kilobytes(kib) => u64::from(kib) << 10,
        MemorySize::Megabytes(mib) => u64::from(mib) << 20,
        MemorySize::SeeExtendedSize => match device.extended_size()? {
            MemorySizeExtended::Megabytes(mib) => u64::from(mib) << 20,
            MemorySizeExtended::SeeSize => return None,
        },
        MemorySize::Unknown => 0,
        MemorySize::NotInstalled => return None,
    };
    Some(MemoryModule {
        slot: text(&device.device_locator()),
        bytes,
        rated_mts: speed(device.speed(), device.extended_speed()),
        configured_mts: speed(
            device.configured_memory_speed(),
            device.extended_configured_memory_speed(),
        ),
        configured_mv: device
            .configured_voltage()
            .filter(|mv| *mv > 0)
            .map(u32::from),
        part: text(&device.part_number()),
    })
}

fn text(raw: &SMBiosString) -> String {
    raw.to_utf8_lossy()
        .map(|text| clean(&text))
        .unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn no_table_makes_the_reader_panic(bytes in proptest::collection::vec(any::<u8>(), 0..600)) {
            parse_table(bytes);
        }

        #[test]
        fn no_damaged_memory_device_makes_the_reader_panic(
            at in 0_usize..110, value in any::<u8>(), length in 0_usize..110
        ) {
            let mut bytes = vec![17, 92, 1, 0];
            bytes.resize(92, 1);
            bytes.extend(b"DIMM 0\0part\0\0\x7f\x04\x02\0\0\0");
            if let Some(byte) = bytes.get_mut(at) {
                *byte = value;
            }
            bytes.truncate(length.max(1));
            parse_table(bytes);
        }
    }
}
