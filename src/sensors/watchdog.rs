//! What watchdogs tell without being opened, `sys/class/watchdog` (Linux 6.12
//! Documentation/ABI/testing/sysfs-class-watchdog, Documentation/watchdog/watchdog-api.rst,
//! include/uapi/linux/watchdog.h). Opening one would start it.

use super::text::{clean, read_attribute};
use crate::os::Root;

const CLASS: &str = "sys/class/watchdog";
/// Most devices looked at.
const MOST_DEVICES: usize = 16;

/// `WDIOF_CARDRESET`: the watchdog itself started the machine anew.
pub const WATCHDOG_RESET: u32 = 0x20;

/// Names of the flags `WDIOF_*` that tell why the machine was started.
const REASONS: [(u32, &str); 7] = [
    (0x01, "over-heated"),
    (0x02, "a fan failed"),
    (0x04, "external relay 1"),
    (0x08, "external relay 2"),
    (0x10, "supply voltage too low"),
    (WATCHDOG_RESET, "the watchdog reset the machine"),
    (0x40, "supply voltage too high"),
];

/// A device and the flags that it tells of the last start; devices without are left out.
pub fn read_boot_status(root: &Root) -> Vec<(String, u32)> {
    root.list(CLASS)
        .into_iter()
        .filter_map(|name| name.into_string().ok())
        .filter(|name| name.starts_with("watchdog"))
        .take(MOST_DEVICES)
        .filter_map(|name| {
            let folder = format!("{CLASS}/{name}");
            let flags = parse_flags(&read_attribute(root, format!("{folder}/bootstatus"))?)?;
            let identity = read_attribute(root, format!("{folder}/identity"));
            let identity = identity.map(|text| format!(" ({})", clean(&text)));
            Some((format!("{name}{}", identity.unwrap_or_default()), flags))
        })
        .collect()
}

/// The kernel prints `%u` of an `int` in older versions, `0x%x` in newer ones.
fn parse_flags(text: &str) -> Option<u32> {
    match text.strip_prefix("0x") {
        Some(digits) => u32::from_str_radix(digits, 16).ok(),
        None => text.parse().ok(),
    }
}

/// The reasons in `flags`, in words; empty when there is none.
pub fn boot_status_words(flags: u32) -> String {
    let set = REASONS.iter().filter(|(bit, _)| flags & bit != 0);
    let words: Vec<&str> = set.map(|(_, words)| *words).collect();
    words.join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// include/uapi/linux/watchdog.h: CARDRESET 0x20, OVERHEAT 0x1 (check-values 7.11).
    #[test]
    fn flags_are_told_in_words_in_both_written_forms() {
        assert_eq!(parse_flags("32"), Some(WATCHDOG_RESET));
        assert_eq!(parse_flags("0x20"), Some(WATCHDOG_RESET));
        assert_eq!(parse_flags("-1"), None);
        assert_eq!(
            boot_status_words(0x21),
            "over-heated, the watchdog reset the machine"
        );
        // Abilities of the driver (SETTIMEOUT, MAGICCLOSE, KEEPALIVEPING) are no reasons.
        assert_eq!(boot_status_words(0x8180), "");
    }
}
