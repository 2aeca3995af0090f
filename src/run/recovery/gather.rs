//! Gathers what the machine tells of its going down, over a root. Nothing is deleted or changed, and
//! nothing is concluded.

use crate::model::{Aftermath, Moment, Mono, Record, Severity, Trace, Wall, Witness};
use crate::os::{self, Root};
use crate::sensors::{
    BootMark, CrashLine, JournalLine, KeptRecord, LogEvent, LogRecord, join_details,
    parse_crash_line, parse_event, read_boot_journal, read_boot_marks, read_boot_status,
    read_kept_records,
};

/// Name of this program in the kernel's lines.
const PROGRAM: &str = env!("CARGO_PKG_NAME");
/// A shutdown that began longer before the last heartbeat than this was called off.
const SHUTDOWN_TAKES_MS: u64 = 120_000;
/// How far the time stamp of a kept record may lie before the start of the run.
const CLOCK_SLACK_MS: i64 = 60_000;
/// Most traces of one kind that are kept.
const MOST_TRACES: usize = 16;

/// Everything that can be had about the end of `record`, asked now, in boot `boot_id`.
pub fn gather_aftermath(root: &Root, record: &Record, boot_id: &str, now: Moment) -> Aftermath {
    let mut aftermath = Aftermath {
        at: now,
        boot_id: boot_id.to_owned(),
        starts: None,
        traces: Vec::new(),
        asked: Vec::new(),
        silent: Vec::new(),
    };
    ask_journal(root, record, &mut aftermath);
    if boot_id != record.header.machine.boot_id {
        ask_kept_records(root, record, &mut aftermath);
        ask_watchdogs(root, &mut aftermath);
        ask_boot_record(root, record, &mut aftermath);
    }
    aftermath
}

fn add(traces: &mut Vec<Trace>, trace: Trace) {
    let alike = traces
        .iter()
        .filter(|known| std::mem::discriminant(*known) == std::mem::discriminant(&trace));
    if alike.count() < MOST_TRACES && !traces.contains(&trace) {
        traces.push(trace);
    }
}

fn ask_journal(root: &Root, record: &Record, aftermath: &mut Aftermath) {
    let lines = match read_boot_journal(root, &record.header.machine.boot_id) {
        Ok(lines) if lines.is_empty() => {
            let reason = "it does not know that boot".to_owned();
            aftermath.silent.push((Witness::Journal, reason));
            return;
        }
        Ok(lines) => lines,
        Err(error) => {
            let reason = os::with_cause(&error);
            aftermath.silent.push((Witness::Journal, reason));
            return;
        }
    };
    aftermath.asked.push(Witness::Journal);
    let (began, last) = (record.header.started.mono, record.last_known());
    for (index, line) in lines.iter().enumerate() {
        if line.mono < began {
            continue;
        }
        for trace in traces_of_line(line, &lines[index + 1..], last) {
            add(&mut aftermath.traces, trace);
        }
    }
}

fn traces_of_line(line: &JournalLine, behind: &[JournalLine], last: Mono) -> Vec<Trace> {
    let source = "journal".to_owned();
    let text = line.text.clone();
    if line.kernel {
        let behind = behind.iter().filter(|line| line.kernel);
        let behind = behind.map(|line| line.text.as_str());
        return kernel_traces(&text, behind, &source, line.mono > last);
    }
    let recent = last.since(line.mono).as_millis() <= u128::from(SHUTDOWN_TAKES_MS);
    if line.shutdown && recent {
        vec![Trace::OrderlyShutdown { source, text }]
    } else {
        Vec::new()
    }
}

/// What one line of the kernel tells, with the lines of the kernel behind it; errors of the hardware only where
/// the run did not see them itself.
fn kernel_traces<'a>(
    text: &str,
    behind: impl IntoIterator<Item = &'a str>,
    source: &str,
    unseen: bool,
) -> Vec<Trace> {
    let (source, text) = (source.to_owned(), text.to_owned());
    let mut traces = Vec::new();
    let event = parse_event(&LogRecord::kept(&text));
    if unseen && let Some(LogEvent::Error { severity, .. }) = event {
        let (source, text) = (source.clone(), join_details(&text, behind));
        traces.push(Trace::Hardware {
            source,
            severity,
            text,
        });
    }
    traces.extend(parse_crash_line(&text, PROGRAM).map(|line| match line {
        CrashLine::Panic => Trace::Panic { source, text },
        CrashLine::LockUp => Trace::LockUp { source, text },
        CrashLine::ProgramEnded => Trace::ProgramEnded { source, text },
    }));
    traces
}

fn ask_kept_records(root: &Root, record: &Record, aftermath: &mut Aftermath) {
    let (kept, closed) = read_kept_records(root);
    for error in &closed {
        let reason = os::with_cause(error);
        aftermath.silent.push((Witness::KeptRecords, reason));
    }
    // Without a backend the folder is empty whatever happened.
    let backend = root.read_text("sys/module/pstore/parameters/backend");
    let has_backend = backend.is_ok_and(|name| !name.is_empty() && name != "(null)");
    if has_backend || !kept.is_empty() {
        aftermath.asked.push(Witness::KeptRecords);
    }
    let began = Wall(record.header.started.wall.0 - CLOCK_SLACK_MS);
    let kept: Vec<&KeptRecord> = kept.iter().filter(|one| one.written >= began).collect();
    for one in &kept {
        for trace in traces_of_kept(one) {
            add(&mut aftermath.traces, trace);
        }
    }
    // A long log is kept in parts, and only the last of them names the panic.
    let named = |trace: &Trace| matches!(trace, Trace::Panic { .. });
    if !aftermath.traces.iter().any(named)
        && let Some(one) = kept.iter().find(|one| one.panic)
    {
        let text = one.lines.last().cloned().unwrap_or_default();
        let source = one.source.clone();
        add(&mut aftermath.traces, Trace::Panic { source, text });
    }
}

fn traces_of_kept(kept: &KeptRecord) -> Vec<Trace> {
    let mut traces = Vec::new();
    for (index, line) in kept.lines.iter().enumerate() {
        let behind = kept.lines[index + 1..].iter().map(String::as_str);
        traces.extend(kernel_traces(line, behind, &kept.source, true));
    }
    if kept.machine_check {
        traces.push(Trace::Hardware {
            source: kept.source.clone(),
            severity: Severity::Fatal,
            text: "a machine check was kept over the restart".to_owned(),
        });
    }
    traces
}

fn ask_watchdogs(root: &Root, aftermath: &mut Aftermath) {
    let all = read_boot_status(root);
    if !all.is_empty() {
        aftermath.asked.push(Witness::Watchdog);
    }
    for (device, flags) in all.into_iter().filter(|(_, flags)| *flags != 0) {
        add(&mut aftermath.traces, Trace::Watchdog { device, flags });
    }
}

fn ask_boot_record(root: &Root, record: &Record, aftermath: &mut Aftermath) {
    let Some(marks) = read_boot_marks(root).filter(|marks| !marks.is_empty()) else {
        return;
    };
    aftermath.asked.push(Witness::BootRecord);
    let last = record.last_moment().wall;
    let after = |mark: &BootMark| matches!(mark, BootMark::Started(at) if *at > last);
    let starts = marks.iter().filter(|mark| after(mark)).count();
    aftermath.starts = u32::try_from(starts).ok().filter(|starts| *starts > 0);
    let Some(restart) = marks.iter().position(after) else {
        return;
    };
    let before = restart.checked_sub(1).and_then(|index| marks.get(index));
    if let Some(BootMark::ShutDown(at)) = before
        && *at >= record.header.started.wall
    {
        let text = format!("shutdown at {}", super::heartbeat::time_of_day(*at));
        let source = "var/log/wtmp".to_owned();
        add(
            &mut aftermath.traces,
            Trace::OrderlyShutdown { source, text },
        );
    }
}
