//! Switches that hide hardware errors, `sys/devices/system/machinecheck` (Linux 6.12
//! Documentation/ABI/testing/sysfs-mce). Read and said; never changed.

use std::time::Duration;

use super::text::read_attribute;
use crate::model::{Gap, GapKind};
use crate::os::Root;

const TREE: &str = "sys/devices/system/machinecheck";
/// Longest interval believed.
const MAX_INTERVAL_S: u64 = 24 * 3600;

/// How often corrected errors are looked for where they do not announce themselves; none when
/// the machine does not tell or does not look.
pub fn read_check_interval(root: &Root) -> Option<Duration> {
    let text = read_attribute(root, format!("{}/check_interval", first(root)?))?;
    let seconds = parse_interval(&text)?;
    (seconds > 0).then(|| Duration::from_secs(seconds.min(MAX_INTERVAL_S)))
}

/// In decimal: Linux 6.1 shows its 300 s as `300` (seen in the virtual bench), although
/// Documentation/arch/x86/x86_64/machinecheck.rst still says that the output is hexadecimal.
fn parse_interval(text: &str) -> Option<u64> {
    text.trim().parse().ok()
}

fn first(root: &Root) -> Option<String> {
    root.list(TREE)
        .into_iter()
        .filter_map(|name| name.into_string().ok())
        .find(|name| name.starts_with("machinecheck"))
        .map(|name| format!("{TREE}/{name}"))
}

/// One gap a switch that hides errors.
pub(super) fn find_gaps(root: &Root) -> Vec<Gap> {
    let Some(folder) = first(root) else {
        return Vec::new();
    };
    let is_set = |item: &str| {
        read_attribute(root, format!("{folder}/{item}")).is_some_and(|text| text != "0")
    };
    let interval = read_attribute(root, format!("{folder}/check_interval"))
        .and_then(|text| parse_interval(&text));
    let mut gaps = Vec::new();
    let mut add = |about: &str, remedy: String| {
        gaps.push(Gap {
            kind: GapKind::Environment,
            about: about.to_owned(),
            remedy,
        });
    };
    if is_set("ignore_ce") {
        add(
            "the kernel ignores corrected machine checks (`ignore_ce`)",
            format!("write 0 to /{folder}/ignore_ce before the run"),
        );
    }
    if is_set("dont_log_ce") {
        add(
            "the kernel does not log corrected machine checks (`dont_log_ce`)",
            format!("write 0 to /{folder}/dont_log_ce before the run"),
        );
    }
    match (interval, is_set("cmci_disabled")) {
        (Some(0), true) => add(
            "corrected machine checks neither announce themselves nor are looked for",
            format!("write 0 to /{folder}/cmci_disabled before the run"),
        ),
        (Some(0), false) => add(
            "corrected machine checks that do not announce themselves are not looked for \
             (`check_interval` is 0)",
            format!("write 300 to /{folder}/check_interval before the run"),
        ),
        (Some(_) | None, true) => add(
            "corrected machine checks do not announce themselves (`cmci_disabled`) and may be \
             seen up to one `check_interval` late",
            format!("write 0 to /{folder}/cmci_disabled before the run"),
        ),
        (Some(_) | None, false) => {}
    }
    gaps
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_interval_is_decimal() {
        assert_eq!(parse_interval("300\n"), Some(300));
        assert_eq!(parse_interval("0"), Some(0));
        assert_eq!(parse_interval("soon"), None);
    }
}
