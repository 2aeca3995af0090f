//! Builds SMBIOS tables of invented machines, byte by byte as DMTF DSP0134 (System Management BIOS 3.7)
//! lays them out: type 17 in section 7.18, type 4 in 7.5, the end in 7.45.

/// A memory device; zero means unknown, as in the table.
#[derive(Debug, Clone)]
pub(crate) struct Device {
    pub(crate) slot: &'static str,
    pub(crate) part: &'static str,
    /// Field `Size`: MiB, 0 not installed, 0x7fff see the extended field.
    pub(crate) size: u16,
    pub(crate) extended_mib: u32,
    pub(crate) rated_mts: u16,
    pub(crate) configured_mts: u16,
    pub(crate) configured_mv: u16,
}

impl Device {
    /// A module of 16 GiB made for 6000 MT/s.
    pub(crate) fn at(slot: &'static str, configured_mts: u16) -> Self {
        Self {
            slot,
            part: "WN-16G-6000",
            size: 16 * 1024,
            extended_mib: 0,
            rated_mts: 6000,
            configured_mts,
            configured_mv: 1350,
        }
    }
}

/// The table of a machine with these devices and this external clock.
pub(crate) fn table(devices: &[Device], external_mhz: u16) -> Vec<u8> {
    let mut bytes = structure(
        4,
        1,
        0x30,
        &[(0x12, &external_mhz.to_le_bytes())],
        &["CPU 0"],
    );
    for (index, device) in devices.iter().enumerate() {
        let handle = 0x10 + u16::try_from(index).expect("a handful");
        bytes.extend(structure(
            17,
            handle,
            0x5c,
            &[
                (0x0c, &device.size.to_le_bytes()),
                (0x10, &[1]),
                (0x15, &device.rated_mts.to_le_bytes()),
                (0x1a, &[2]),
                (0x1c, &device.extended_mib.to_le_bytes()),
                (0x20, &device.configured_mts.to_le_bytes()),
                (0x26, &device.configured_mv.to_le_bytes()),
            ],
            &[device.slot, device.part],
        ));
    }
    bytes.extend(structure(127, 0x7f, 4, &[], &[]));
    bytes
}

fn structure(
    kind: u8,
    handle: u16,
    length: u8,
    fields: &[(usize, &[u8])],
    strings: &[&str],
) -> Vec<u8> {
    let mut bytes = vec![kind, length];
    bytes.extend(handle.to_le_bytes());
    bytes.resize(usize::from(length), 0);
    for (offset, value) in fields {
        bytes[*offset..offset + value.len()].copy_from_slice(value);
    }
    for text in strings {
        bytes.extend(text.as_bytes());
        bytes.push(0);
    }
    if strings.is_empty() {
        bytes.push(0);
    }
    bytes.push(0);
    bytes
}
