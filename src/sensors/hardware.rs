//! Hardware errors and throttling since the run began, from three places: counters of memory
//! errors, the kernel log, counters of throttling.
//!
//! One error must not be told twice because two places know of it: a line of the log about a memory
//! controller counts only for what its counters did not tell, and the bare announcement of
//! corrected errors only when nothing else told of them.

use std::collections::BTreeMap;

use super::edac::Counters;
use super::kept::KeptFile;
use super::kmsg::{LogEvent, LogRecord, add_detail, parse_event, parse_record};
use super::probe::classify_loss;
use super::text::{read_name, read_whole};
use crate::model::{Channel, FindingKind, Gap, GapKind, Loss, Quantity, Severity};
use crate::os::{KernelLog, ReadFileError, Root};

/// Name of the log in findings.
const LOG: &str = "kernel log";
/// Findings given out by one call; a flood of errors is one fault.
pub const MAX_FINDINGS: usize = 256;

#[derive(Debug)]
struct ThrottleCounter {
    file: KeptFile,
    label: String,
    base: u64,
    told: u64,
}

/// A cooling device that is the processor itself, slowed down by the kernel.
#[derive(Debug)]
struct Cooler {
    file: KeptFile,
    kind: String,
    active: bool,
}

/// The watch.
#[derive(Debug, Default)]
pub(super) struct HardwareWatch {
    memory: Counters,
    log: Option<KernelLog>,
    throttle: Vec<ThrottleCounter>,
    coolers: Vec<Cooler>,
    /// Errors by controller and severity: told by counters less told by the log.
    balance: BTreeMap<(u32, Severity), u64>,
    next_sequence: Option<u64>,
    throttle_lines: u64,
    cooler_events: u64,
    lost_told: bool,
}

impl HardwareWatch {
    /// Takes all baselines.
    pub(super) fn open(root: &Root, channels: &[Channel]) -> (Self, Vec<Gap>) {
        let mut gaps = Vec::new();
        let memory = Counters::open(root);
        if memory.is_empty() {
            gaps.push(Gap {
                kind: GapKind::NoSource,
                about: "no error-detecting memory or no driver: memory errors corrected by \
                        hardware are not observable"
                    .to_owned(),
                remedy: "none without error-correcting memory; with it, load the EDAC driver of \
                         the memory controller"
                    .to_owned(),
            });
        }
        let log = KernelLog::open(root);
        if let Err(error) = &log {
            gaps.push(log_gap(error));
        }
        let throttle = channels
            .iter()
            .filter(|channel| channel.quantity == Quantity::ThrottleEvents)
            .filter_map(|channel| {
                let base = read_whole(root, &channel.source)?;
                Some(ThrottleCounter {
                    file: KeptFile::new(channel.source.clone()),
                    label: channel.label.clone(),
                    base,
                    told: 0,
                })
            })
            .collect();
        let watch = Self {
            memory,
            log: log.ok(),
            throttle,
            coolers: coolers(root),
            ..Self::default()
        };
        (watch, gaps)
    }

    /// Keeps its files open from the next reading on, while `left` descriptors are not used up.
    pub(super) fn keep(&mut self, left: &mut usize) {
        self.memory.keep(left);
        let throttle = self.throttle.iter_mut().map(|counter| &mut counter.file);
        let coolers = self.coolers.iter_mut().map(|cooler| &mut cooler.file);
        throttle.chain(coolers).for_each(|file| file.keep(left));
    }

    /// New evidence since the last call, and a gap when records of the log were lost.
    pub(super) fn read(&mut self, root: &Root) -> (Vec<FindingKind>, Option<Gap>) {
        // The counters go up before the line is written: read in the other order, a line is
        // never ahead of its counter.
        let (records, gap) = self.read_log();
        let mut findings = self.read_memory(root);
        findings.extend(self.judge_log(&records, !findings.is_empty()));
        findings.extend(self.read_throttle(root));
        findings.extend(self.read_coolers(root));
        findings.truncate(MAX_FINDINGS);
        (findings, gap)
    }

    fn read_log(&mut self) -> (Vec<LogRecord>, Option<Gap>) {
        let Some(log) = &mut self.log else {
            return (Vec::new(), None);
        };
        let drained = log.drain();
        let records: Vec<LogRecord> = drained
            .records
            .iter()
            .filter_map(|raw| parse_record(raw))
            .collect();
        let mut lost = u64::from(drained.overruns);
        for record in &records {
            if let Some(next) = self.next_sequence {
                lost = lost.max(record.sequence.saturating_sub(next));
            }
            self.next_sequence = Some(record.sequence.saturating_add(1));
        }
        let gap = (lost > 0 && !self.lost_told).then(|| Gap {
            kind: GapKind::SamplerLate,
            about: format!("records of the kernel log were lost before they were read ({lost})"),
            remedy: "a larger log: `log_buf_len=` on the kernel's command line".to_owned(),
        });
        self.lost_told |= gap.is_some();
        (records, gap)
    }

    fn read_memory(&mut self, root: &Root) -> Vec<FindingKind> {
        let increases = self.memory.read_new(root);
        for one in &increases {
            *self
                .balance
                .entry((one.controller, one.severity))
                .or_default() += one.count;
        }
        increases
            .into_iter()
            .map(|one| FindingKind::HardwareError {
                severity: one.severity,
                text: format!(
                    "{} memory errors at {}",
                    severity_words(one.severity),
                    one.place
                ),
                source: one.path,
                count: one.count,
            })
            .collect()
    }

    fn judge_log(&mut self, records: &[LogRecord], told_elsewhere: bool) -> Vec<FindingKind> {
        let mut findings = Vec::new();
        let mut announced = None;
        // Of the error that the lines below belong to; none where something else told of it.
        let mut details: Option<usize> = None;
        for record in records {
            match parse_event(record) {
                Some(LogEvent::Error {
                    severity,
                    controller,
                    count,
                }) => {
                    let count = self.untold(controller, severity, count);
                    details = (count > 0).then_some(findings.len());
                    if count > 0 {
                        findings.push(log_finding(severity, &record.text, count));
                    }
                }
                Some(LogEvent::Announcement) => announced = Some(&record.text),
                Some(LogEvent::Throttled { .. }) if self.throttle.is_empty() => {
                    self.throttle_lines += 1;
                    findings.push(FindingKind::Throttled {
                        // Without the running total of the line: repeats are one fault by their source.
                        source: LOG.to_owned(),
                        events: self.throttle_lines,
                    });
                }
                Some(LogEvent::Throttled { .. }) => {}
                None => {
                    let known = details.and_then(|index| findings.get_mut(index));
                    if let Some(FindingKind::HardwareError { text, .. }) = known {
                        add_detail(text, record);
                    }
                }
            }
        }
        if let Some(text) = announced
            && findings.is_empty()
            && !told_elsewhere
        {
            findings.push(log_finding(Severity::Corrected, text, 1));
        }
        findings
    }

    /// Errors of a line that no counter told of.
    fn untold(&mut self, controller: Option<u32>, severity: Severity, count: u64) -> u64 {
        let Some(known) = controller.and_then(|c| self.balance.get_mut(&(c, severity))) else {
            return count;
        };
        let both = count.min(*known);
        *known -= both;
        count - both
    }

    fn read_throttle(&mut self, root: &Root) -> Vec<FindingKind> {
        let mut findings = Vec::new();
        for counter in &mut self.throttle {
            let Some(now) = counter.file.read_whole(root) else {
                continue;
            };
            let events = now.saturating_sub(counter.base);
            if events > counter.told {
                counter.told = events;
                findings.push(FindingKind::Throttled {
                    source: format!("{} ({})", counter.file.path(), counter.label),
                    events,
                });
            }
        }
        findings
    }

    fn read_coolers(&mut self, root: &Root) -> Vec<FindingKind> {
        let mut findings = Vec::new();
        for cooler in &mut self.coolers {
            let Some(state) = cooler.file.read_whole(root) else {
                continue;
            };
            if state > 0 && !cooler.active {
                self.cooler_events += 1;
                findings.push(FindingKind::Throttled {
                    source: format!("{} ({})", cooler.file.path(), cooler.kind),
                    events: self.cooler_events,
                });
            }
            cooler.active = state > 0;
        }
        findings
    }
}

/// Cooling devices that are the processor itself, slowed down by the kernel (Linux 6.12
/// Documentation/ABI/testing/sysfs-class-thermal: state 0 is no cooling).
fn coolers(root: &Root) -> Vec<Cooler> {
    const CLASS: &str = "sys/class/thermal";
    root.list(CLASS)
        .into_iter()
        .filter_map(|name| name.into_string().ok())
        .filter(|name| name.starts_with("cooling_device"))
        .take(MAX_FINDINGS)
        .filter_map(|name| {
            let kind = read_name(root, format!("{CLASS}/{name}/type"))?;
            let is_processor =
                kind == "Processor" || kind.contains("cpufreq") || kind.contains("cpuidle");
            let path = format!("{CLASS}/{name}/cur_state");
            let active = read_whole(root, &path)? > 0;
            is_processor.then(|| Cooler {
                file: KeptFile::new(path),
                kind,
                active,
            })
        })
        .collect()
}

fn log_finding(severity: Severity, text: &str, count: u64) -> FindingKind {
    FindingKind::HardwareError {
        severity,
        source: LOG.to_owned(),
        text: text.to_owned(),
        count,
    }
}

fn log_gap(error: &ReadFileError) -> Gap {
    if classify_loss(&error.source) == Loss::Forbidden {
        return Gap {
            kind: GapKind::NoRights,
            about: "the kernel log may not be read: hardware errors told there are not seen"
                .to_owned(),
            remedy: "run as root, or grant the capability CAP_SYSLOG and read access to /dev/kmsg"
                .to_owned(),
        };
    }
    Gap {
        kind: GapKind::NoSource,
        about: "there is no readable kernel log: hardware errors told there are not seen"
            .to_owned(),
        remedy: String::new(),
    }
}

fn severity_words(severity: Severity) -> &'static str {
    match severity {
        Severity::Corrected => "corrected",
        Severity::Uncorrected => "uncorrected",
        Severity::Fatal => "fatal",
    }
}

#[cfg(test)]
mod tests {
    use std::io;

    use super::*;

    #[test]
    fn a_forbidden_log_is_a_gap_with_the_way_to_open_it() {
        let refused = |code| ReadFileError {
            path: "dev/kmsg".into(),
            source: io::Error::from_raw_os_error(code),
        };
        for code in [nix::libc::EPERM, nix::libc::EACCES] {
            let gap = log_gap(&refused(code));
            assert_eq!(gap.kind, GapKind::NoRights);
            assert!(gap.remedy.contains("CAP_SYSLOG"), "{}", gap.remedy);
        }
        assert_eq!(log_gap(&refused(nix::libc::ENOENT)).kind, GapKind::NoSource);
    }
}
