//! Lines of the kernel log that tell how a machine went down: panics, processors and tasks that stood
//! still, and the end of a program (Linux 6.12 kernel/panic.c, kernel/watchdog.c, kernel/hung_task.c,
//! kernel/rcu/tree_stall.h, mm/oom_kill.c, arch/x86/mm/fault.c). Pure parsing.

/// What a line tells.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CrashLine {
    /// The kernel panicked.
    Panic,
    /// A processor or a task stood still.
    LockUp,
    /// A program of this name was ended by the kernel or crashed.
    ProgramEnded,
}

/// Beginnings and parts of lines about something that stood still.
const STANDSTILLS: [&str; 6] = [
    "BUG: soft lockup - CPU#",
    "Watchdog detected hard LOCKUP on cpu",
    "Watchdog detected hard LOCKUP on CPU",
    "detected stalls on CPUs/tasks",
    "self-detected stall on CPU",
    "detected expedited stalls on CPUs/tasks",
];

/// What `text`, a line of the kernel, tells of the end of the machine or of `program`.
pub fn parse_crash_line(text: &str, program: &str) -> Option<CrashLine> {
    if text.contains("Kernel panic - not syncing") {
        return Some(CrashLine::Panic);
    }
    let hung_task = text.starts_with("INFO: task ") && text.contains(" blocked for more than ");
    if hung_task || STANDSTILLS.iter().any(|words| text.contains(words)) {
        return Some(CrashLine::LockUp);
    }
    let faulted = text.starts_with(&format!("{program}[")) && text.contains("]: segfault at ");
    let trapped = text.starts_with("traps: ") && text.contains(&format!(" {program}["));
    let starved = text.contains("Killed process ") && text.contains(&format!(" ({program})"));
    (faulted || trapped || starved).then_some(CrashLine::ProgramEnded)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Formats of the kernel's sources named above, from memory.
    #[test]
    fn lines_about_the_end_are_told_from_all_others() {
        let cases = [
            (
                "Kernel panic - not syncing: Fatal machine check",
                Some(CrashLine::Panic),
            ),
            (
                "watchdog: BUG: soft lockup - CPU#3 stuck for 22s! [fma:812]",
                Some(CrashLine::LockUp),
            ),
            (
                "NMI watchdog: Watchdog detected hard LOCKUP on cpu 2",
                Some(CrashLine::LockUp),
            ),
            (
                "rcu: INFO: rcu_preempt self-detected stall on CPU",
                Some(CrashLine::LockUp),
            ),
            (
                "INFO: task kworker/1:2:77 blocked for more than 120 seconds.",
                Some(CrashLine::LockUp),
            ),
            (
                "soakproof[4711]: segfault at 0 ip 0000 sp 0000 error 4",
                Some(CrashLine::ProgramEnded),
            ),
            (
                "Out of memory: Killed process 4711 (soakproof) total-vm:1kB, anon-rss:1kB",
                Some(CrashLine::ProgramEnded),
            ),
            ("editor[4711]: segfault at 0 ip 0000 sp 0000 error 4", None),
            (
                "NMI watchdog: Enabled. Permanently consumes one hw-PMU counter.",
                None,
            ),
            ("panic: quiet words of a driver", None),
        ];
        for (text, wanted) in cases {
            assert_eq!(parse_crash_line(text, "soakproof"), wanted, "{text}");
        }
    }
}
