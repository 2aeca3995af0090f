//! Records of the kernel log and the lines in them that tell of hardware errors (Linux 6.12
//! Documentation/ABI/testing/dev-kmsg, arch/x86/kernel/cpu/mce/core.c, drivers/edac/mce_amd.c,
//! drivers/firmware/efi/cper.c, drivers/edac/edac_mc.c).
//!
//! Pure parsing. Any program may write a record, but only the kernel one of facility 0: nothing
//! else is evidence. Only the first line of a record is its text; what follows are properties.

use super::text::{MAX_LINE_CHARS, clean_line};
use crate::model::Severity;

/// One record of `/dev/kmsg`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LogRecord {
    /// 0 (emergency) to 7 (debug).
    pub level: u8,
    /// Who wrote it; 0 is the kernel.
    pub facility: u32,
    /// Number of the record; a jump means lost records.
    pub sequence: u64,
    /// Microseconds of the kernel's clock, which stops while the machine sleeps.
    pub timestamp_us: u64,
    /// The text.
    pub text: String,
}

impl LogRecord {
    /// A line of the kernel that something else kept, such as a journal.
    pub fn kept(text: &str) -> Self {
        Self {
            level: 0,
            facility: 0,
            sequence: 0,
            timestamp_us: 0,
            text: text.to_owned(),
        }
    }
}

/// What a line of the kernel tells.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum LogEvent {
    /// An error of the hardware, with its text.
    Error {
        /// How bad.
        severity: Severity,
        /// Memory controller, for lines that its counters tell of, too.
        controller: Option<u32>,
        /// Errors in this line.
        count: u64,
    },
    /// Corrected errors were put down elsewhere; their details may follow in other lines.
    Announcement,
    /// The processor slowed itself down.
    Throttled {
        /// Events since the machine was started.
        total: u64,
    },
}

/// Takes a record apart; none when it is not one. Unknown fields are passed over, as the kernel's
/// documentation asks.
pub fn parse_record(raw: &str) -> Option<LogRecord> {
    let (head, text) = raw.split_once(';')?;
    let mut fields = head.split(',');
    let prefix: u32 = fields.next()?.parse().ok()?;
    let sequence = fields.next()?.parse().ok()?;
    let timestamp_us = fields.next()?.parse().ok()?;
    Some(LogRecord {
        level: u8::try_from(prefix & 7).ok()?,
        facility: prefix >> 3,
        sequence,
        timestamp_us,
        text: clean_line(text.lines().next().unwrap_or("")),
    })
}

/// What the kernel's own record tells of the hardware; none for all other records.
pub fn parse_event(record: &LogRecord) -> Option<LogEvent> {
    if record.facility != 0 {
        return None;
    }
    let text = record.text.as_str();
    if let Some((before, told)) = text.split_once("[Hardware Error]: ") {
        return parse_hardware_error(before, told);
    }
    if let Some(told) = text.strip_prefix("EDAC MC") {
        return parse_memory_line(told);
    }
    if text.contains("Memory failure: 0x") && text.contains(": recovery action for ") {
        return Some(error(Severity::Uncorrected));
    }
    parse_throttle_line(text)
}

/// The line of an error that something kept, with what the lines of the kernel `behind` it tell of that error.
pub fn join_details<'a>(error: &str, behind: impl IntoIterator<Item = &'a str>) -> String {
    let mut text = error.to_owned();
    for line in behind {
        let record = LogRecord::kept(line);
        if let Some(LogEvent::Error { .. }) = parse_event(&record) {
            break;
        }
        add_detail(&mut text, &record);
    }
    text
}

/// Adds to the text of an error what `record` tells of it, if anything.
pub(super) fn add_detail(text: &mut String, record: &LogRecord) {
    if let Some(detail) = parse_detail(record)
        && text.len() < MAX_LINE_CHARS
    {
        text.push_str("; ");
        text.push_str(detail);
    }
}

/// Where the error lies that a line before told of: an address, a place on the board, what kind it was.
fn parse_detail(record: &LogRecord) -> Option<&str> {
    /// What the kernel's record of a memory error begins such lines with (drivers/firmware/efi/cper.c), and its
    /// line of a processor of one maker (drivers/edac/mce_amd.c).
    const BEGINNINGS: [&str; 7] = [
        "physical_address: ",
        "node:",
        "card:",
        "module:",
        "error_type: ",
        "DIMM location: ",
        "Error Addr: ",
    ];
    let (_, told) = record.text.split_once("[Hardware Error]: ")?;
    if record.facility != 0 {
        return None;
    }
    let told = told.trim();
    if BEGINNINGS.iter().any(|begin| told.starts_with(begin)) {
        return Some(told);
    }
    // `TSC 6d4a2f0e ADDR 7f0011223344 MISC 86`.
    let at = told.starts_with("TSC ").then(|| told.find("ADDR "))??;
    let end = told[at..].find(" MISC").map_or(told.len(), |len| at + len);
    Some(told[at..end].trim_end())
}

fn error(severity: Severity) -> LogEvent {
    LogEvent::Error {
        severity,
        controller: None,
        count: 1,
    }
}

/// One event is told in several lines: the one that carries its severity is taken.
fn parse_hardware_error(before: &str, told: &str) -> Option<LogEvent> {
    let told = told.trim();
    if let Some(severity) = told.strip_prefix("event severity: ") {
        return match severity.trim() {
            "corrected" => Some(error(Severity::Corrected)),
            "recoverable" => Some(error(Severity::Uncorrected)),
            "fatal" => Some(error(Severity::Fatal)),
            // Information is no error.
            _ => None,
        };
    }
    if told.starts_with("Machine check events logged") {
        return Some(LogEvent::Announcement);
    }
    if told.starts_with("Machine check: ") && before.ends_with("mce: ") {
        return Some(error(Severity::Fatal));
    }
    if told.starts_with("CPU:") {
        return parse_decoded_status(told).map(error);
    }
    parse_raw_status(told).map(error)
}

/// `CPU 3: Machine Check: 0 Bank 5: bea0000000000108`.
fn parse_raw_status(told: &str) -> Option<Severity> {
    const UNCORRECTED: u64 = 1 << 61;
    const CONTEXT_CORRUPT: u64 = 1 << 57;
    let rest = told.strip_prefix("CPU ")?;
    let (_, rest) = rest.split_once(": Machine Check")?;
    let (_, rest) = rest.split_once(" Bank ")?;
    let (_, status) = rest.split_once(": ")?;
    let status = u64::from_str_radix(status.trim(), 16).ok()?;
    // Bit 44 means `deferred` with one maker and is part of a count with the other: the decoded
    // line tells of it.
    Some(
        match (status & UNCORRECTED != 0, status & CONTEXT_CORRUPT != 0) {
            (false, _) => Severity::Corrected,
            (true, false) => Severity::Uncorrected,
            (true, true) => Severity::Fatal,
        },
    )
}

/// `CPU:2 (19:61:2) MC0_STATUS[Over|CE|MiscV|AddrV|-|...]: 0x...`.
fn parse_decoded_status(told: &str) -> Option<Severity> {
    let (_, rest) = told.split_once("_STATUS[")?;
    let (flags, _) = rest.split_once(']')?;
    let has = |flag: &str| flags.split('|').any(|one| one == flag);
    Some(if has("UE") && has("PCC") {
        Severity::Fatal
    } else if has("UE") || has("Deferred") || has("UECC") {
        Severity::Uncorrected
    } else {
        Severity::Corrected
    })
}

/// `EDAC MC0: 1 CE memory read error on ...`, or the old form without a number.
fn parse_memory_line(told: &str) -> Option<LogEvent> {
    let (number, rest) = told.split_once(": ")?;
    let controller = Some(number.parse().ok()?);
    let mut words = rest.split_whitespace();
    let first = words.next()?;
    let (count, kind) = match first.parse::<u64>() {
        Ok(count) => (count, words.next()?),
        Err(_) => (1, first),
    };
    let severity = match kind {
        "CE" => Severity::Corrected,
        "UE" => Severity::Uncorrected,
        _ => return None,
    };
    Some(LogEvent::Error {
        severity,
        controller,
        count,
    })
}

/// `CPU3: Core temperature is above threshold, cpu clock is throttled (total events = 7)`, and
/// the words of older kernels.
fn parse_throttle_line(text: &str) -> Option<LogEvent> {
    let text = text.strip_prefix("mce: ").unwrap_or(text);
    let is_throttle = text.starts_with("CPU")
        && text.contains("temperature")
        && text.contains("above threshold")
        && text.contains("throttled");
    let (_, rest) = text.split_once("total events = ")?;
    let total = rest.trim_end_matches(')').parse().ok()?;
    is_throttle.then_some(LogEvent::Throttled { total })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn event(text: &str) -> Option<LogEvent> {
        parse_event(&parse_record(&format!("2,7,1000,-;{text}")).expect("a record"))
    }

    fn severity(text: &str) -> Option<Severity> {
        match event(text)? {
            LogEvent::Error { severity, .. } => Some(severity),
            LogEvent::Announcement | LogEvent::Throttled { .. } => None,
        }
    }

    /// The examples of Documentation/ABI/testing/dev-kmsg.
    #[test]
    fn the_documented_records_are_taken_apart() {
        let record = parse_record(
            "7,160,424069,-;pci_root PNP0A03:00: host bridge window [io  0x0000-0x0cf7] (ignored)\n SUBSYSTEM=acpi\n DEVICE=+acpi:PNP0A03:00",
        )
        .unwrap();
        assert_eq!((record.level, record.facility), (7, 0));
        assert_eq!((record.sequence, record.timestamp_us), (160, 424_069));
        assert!(record.text.ends_with("(ignored)"), "{}", record.text);
        let daemon = parse_record("30,340,5690716,-;udevd[80]: starting version 181").unwrap();
        assert_eq!((daemon.level, daemon.facility), (6, 3));
        let caller = parse_record("6,339,5140900,-,caller=T1,new=x;NET: Registered").unwrap();
        assert_eq!(caller.text, "NET: Registered");
        assert_eq!(parse_record("not a record"), None);
    }

    #[test]
    fn a_line_that_a_program_wrote_is_no_evidence() {
        let text = "mce: [Hardware Error]: CPU 0: Machine Check: 0 Bank 5: be00000000800400";
        let forged = parse_record(&format!("8,7,1000,-;{text}")).unwrap();
        assert_eq!(parse_event(&forged), None);
        assert!(event(text).is_some());
        // Nor are the properties behind a record's first line.
        let hidden = parse_record(&format!("6,7,1000,-;quiet\n {text}")).unwrap();
        assert_eq!(parse_event(&hidden), None);
    }

    /// MCi_STATUS: bit 61 UC, bit 57 PCC (check-values 7.6).
    #[test]
    fn raw_machine_checks_are_graded_by_their_status() {
        let line = |status: u64| {
            format!("mce: [Hardware Error]: CPU 3: Machine Check: 0 Bank 5: {status:016x}")
        };
        let valid = 1 << 63;
        assert_eq!(severity(&line(valid | 1 << 58)), Some(Severity::Corrected));
        assert_eq!(
            severity(&line(valid | 1 << 61)),
            Some(Severity::Uncorrected)
        );
        assert_eq!(
            severity(&line(valid | 1 << 61 | 1 << 57)),
            Some(Severity::Fatal)
        );
        assert_eq!(
            severity(
                "mce: [Hardware Error]: CPU 3: Machine Check Exception: 5 Bank 0: be00000000800400"
            ),
            Some(Severity::Fatal)
        );
        assert_eq!(
            severity("mce: [Hardware Error]: Machine check: Processor context corrupt"),
            Some(Severity::Fatal)
        );
    }

    #[test]
    fn one_machine_check_of_many_lines_is_one_event() {
        let lines = [
            "mce: [Hardware Error]: CPU 1: Machine Check: 0 Bank 2: 9000000000000151",
            "mce: [Hardware Error]: RIP !INEXACT! 10:<ffffffff81000000> {idle+0x1/0x2}",
            "mce: [Hardware Error]: TSC 6d4a2f0e ADDR 7f0011223344 MISC 86",
            "mce: [Hardware Error]: PROCESSOR 0:906ea TIME 1700000000 SOCKET 0 APIC 2 microcode f0",
            "mce: [Hardware Error]: Run the above through 'mcelog --ascii'",
            "[Hardware Error]: Corrected error, no action required.",
            "[Hardware Error]: Error Addr: 0x0000000123456780",
            "[Hardware Error]: PPIN: 0x0000000000000001",
            "[Hardware Error]: IPID: 0x0000009600050f00, Syndrome: 0x0000000000000000",
            "[Hardware Error]: Unified Memory Controller Ext. Error Code: 0",
            "[Hardware Error]: cache level: L3/GEN, tx: GEN, mem-tx: RD",
        ];
        let events: Vec<LogEvent> = lines.iter().filter_map(|line| event(line)).collect();
        assert_eq!(events, [error(Severity::Corrected)]);
        assert_eq!(
            event("mce: [Hardware Error]: Machine check events logged"),
            Some(LogEvent::Announcement)
        );
    }

    #[test]
    fn decoded_status_lines_are_graded_by_their_flags() {
        let line = |flags: &str| {
            format!("[Hardware Error]: CPU:2 (19:61:2) MC0_STATUS[{flags}]: 0x9c20000000000108")
        };
        assert_eq!(
            severity(&line("-|CE|MiscV|AddrV|-|-|SyndV|CECC|-|-|-")),
            Some(Severity::Corrected)
        );
        assert_eq!(
            severity(&line("Over|UE|MiscV|AddrV|PCC|TCC|-|-|-|-|-")),
            Some(Severity::Fatal)
        );
        assert_eq!(
            severity(&line("-|UE|MiscV|AddrV|-|-|-|UECC|-|-|-")),
            Some(Severity::Uncorrected)
        );
        assert_eq!(
            severity(&line("-|-|MiscV|AddrV|-|-|-|-|Deferred|-|-")),
            Some(Severity::Uncorrected)
        );
    }

    #[test]
    fn firmware_first_errors_are_taken_once_by_their_severity() {
        let lines = [
            "{1}[Hardware Error]: Hardware error from APEI Generic Hardware Error Source: 0",
            "{1}[Hardware Error]: It has been corrected by h/w and requires no further action",
            "{1}[Hardware Error]: event severity: corrected",
            "{1}[Hardware Error]:  Error 0, type: corrected",
        ];
        let events: Vec<LogEvent> = lines.iter().filter_map(|line| event(line)).collect();
        assert_eq!(events, [error(Severity::Corrected)]);
        assert_eq!(
            severity("{2}[Hardware Error]: event severity: recoverable"),
            Some(Severity::Uncorrected)
        );
        assert_eq!(
            severity("{3}[Hardware Error]: event severity: fatal"),
            Some(Severity::Fatal)
        );
        assert_eq!(event("{4}[Hardware Error]: event severity: info"), None);
        assert_eq!(
            severity("Memory failure: 0x12345: recovery action for dirty LRU page: Recovered"),
            Some(Severity::Uncorrected)
        );
    }

    /// Lines that Linux 6.1 wrote of a record of UEFI 2.10, appendix N.2.5, and of a machine check.
    #[test]
    fn what_follows_an_error_says_where_it_lies() {
        let detail = |text: &str| {
            let record = parse_record(&format!("2,7,1000,-;{text}")).expect("a record");
            parse_detail(&record).map(str::to_owned)
        };
        for (line, said) in [
            (
                "{1}[Hardware Error]:   physical_address: 0x0000000012345000",
                "physical_address: 0x0000000012345000",
            ),
            (
                "{1}[Hardware Error]:   node:0 card:1 module:2 ",
                "node:0 card:1 module:2",
            ),
            (
                "{1}[Hardware Error]:   error_type: 2, single-bit ECC",
                "error_type: 2, single-bit ECC",
            ),
            (
                "{1}[Hardware Error]:   DIMM location: BANK_1 SLOT_B ",
                "DIMM location: BANK_1 SLOT_B",
            ),
            (
                "mce: [Hardware Error]: TSC 6d4a2f0e ADDR 7f0011223344 MISC 86 ",
                "ADDR 7f0011223344",
            ),
            (
                "mce: [Hardware Error]: TSC 0 ADDR 12345000 ",
                "ADDR 12345000",
            ),
            (
                "[Hardware Error]: Error Addr: 0x0000000123456780",
                "Error Addr: 0x0000000123456780",
            ),
        ] {
            assert_eq!(detail(line).as_deref(), Some(said), "{line}");
        }
        for line in [
            "mce: [Hardware Error]: TSC 6d4a2f0e ",
            "{1}[Hardware Error]:   physical_address_mask: 0x0000000000000fff",
            "{1}[Hardware Error]:   section_type: memory error",
            "mce: [Hardware Error]: CPU 3: Machine Check: 0 Bank 5: be00000000800400",
            "physical_address: 0x0000000012345000",
        ] {
            assert_eq!(detail(line), None, "{line}");
        }
        let forged = parse_record("14,7,1000,-;[Hardware Error]: Error Addr: 0x1").unwrap();
        assert_eq!(parse_detail(&forged), None);
    }

    /// The new form and the old form in Documentation/admin-guide/RAS/main.rst.
    #[test]
    fn memory_controller_lines_tell_their_count() {
        let told = |severity, controller, count| {
            Some(LogEvent::Error {
                severity,
                controller: Some(controller),
                count,
            })
        };
        assert_eq!(
            event(
                "EDAC MC1: 3 CE memory read error on CPU_SrcID#0_Ha#0_Chan#1_DIMM#0 (channel:1 slot:0 page:0x1 offset:0x0 grain:32 syndrome:0x0 - area:DRAM)"
            ),
            told(Severity::Corrected, 1, 3)
        );
        assert_eq!(
            event("EDAC MC0: 1 UE on DIMM_A1 (page:0x1)"),
            told(Severity::Uncorrected, 0, 1)
        );
        assert_eq!(
            event(
                "EDAC MC0: CE page 0x283, offset 0xce0, grain 8, syndrome 0x6ec3, row 0, channel 1 \"DIMM_B1\": amd76x_edac"
            ),
            told(Severity::Corrected, 0, 1)
        );
        assert_eq!(event("EDAC MC0: Giving out device to module"), None);
    }

    #[test]
    fn throttling_lines_of_new_and_old_kernels_are_known() {
        for text in [
            "CPU3: Core temperature is above threshold, cpu clock is throttled (total events = 7)",
            "mce: CPU3: Package temperature above threshold, cpu clock throttled (total events = 7)",
        ] {
            assert_eq!(
                event(text),
                Some(LogEvent::Throttled { total: 7 }),
                "{text}"
            );
        }
        assert_eq!(
            event("CPU3: Core temperature/speed normal (total events = 7)"),
            None
        );
    }
}
