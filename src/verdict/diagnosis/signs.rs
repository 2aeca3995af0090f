//! The evidence of a verdict, in the order in which patterns ask for it.

use crate::model::{
    Cause, CrashManner, End, Evidence, Finding, FindingKind, LoadClass, Record, Rhythm, Rule,
    RuleEffect, Severity, Verdict,
};
use crate::verdict::exposure::machine_seconds;
use crate::verdict::rules::effect_of;

/// When in the course of the load something went wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Under {
    /// Nearly nothing ran: an idle stage, or bursts of one core at a time.
    LowLoad,
    /// An even load.
    Even,
    /// All cores stepped between idle and load together.
    Steps,
    /// Not known.
    Unknown,
}

/// What an error went wrong in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum In {
    /// Computing in a core and its own caches.
    Core,
    /// What lives in caches that cores share.
    SharedCache,
    /// Walks over the memory.
    Memory,
    /// The whole machine went down.
    Machine,
}

/// One fault of the machine under load: not heat, not a report of the hardware.
#[derive(Debug)]
pub(super) struct Fault<'a> {
    pub(super) index: u32,
    pub(super) finding: &'a Finding,
    pub(super) class: Option<LoadClass>,
    pub(super) under: Under,
    pub(super) what: In,
    pub(super) core: Option<u32>,
}

/// Everything that the table asks for.
#[derive(Debug)]
pub(super) struct Signs<'a> {
    pub(super) record: &'a Record,
    pub(super) verdict: &'a Verdict,
    pub(super) faults: Vec<Fault<'a>>,
    /// The machine went down, and no finding says so yet.
    pub(super) untold_reset: Option<Under>,
}

impl<'a> Signs<'a> {
    pub(super) fn of(record: &'a Record, verdict: &'a Verdict) -> Self {
        let numbered = (0..).zip(&record.findings);
        let faults: Vec<Fault<'_>> = numbered
            .filter_map(|(index, finding)| fault_of(record, index, finding))
            .collect();
        let told = faults.iter().any(|fault| is_reset(fault.finding));
        let ended = record.end.as_ref().map(|end| (&end.what, end.stage));
        let untold_reset = match ended {
            Some((End::Reset, stage)) if !told => {
                let stage = record.header.plan.stages.get(usize::from(stage));
                let idle = stage.is_some_and(crate::model::Stage::is_idle);
                Some(if idle { Under::LowLoad } else { Under::Unknown })
            }
            _ => None,
        };
        Self {
            record,
            verdict,
            faults,
            untold_reset,
        }
    }

    /// True when something went wrong under load or the machine went down.
    pub(super) fn erred(&self) -> bool {
        !self.faults.is_empty() || self.untold_reset.is_some()
    }

    /// Faults in core, cache or the whole machine.
    pub(super) fn cores(&self) -> impl Iterator<Item = &Fault<'a>> {
        self.faults.iter().filter(|fault| fault.what != In::Memory)
    }

    /// True when there are faults and all of them satisfy `what`.
    pub(super) fn all(&self, what: impl Fn(&Fault<'_>) -> bool) -> bool {
        !self.faults.is_empty() && self.untold_reset.is_none() && self.faults.iter().all(what)
    }

    /// Evidence of the faults that satisfy `what`; empty where there are none.
    pub(super) fn told(&self, what: impl Fn(&Fault<'_>) -> bool) -> Vec<Evidence> {
        let chosen: Vec<&Fault<'_>> = self.faults.iter().filter(|fault| what(fault)).collect();
        if chosen.is_empty() {
            return Vec::new();
        }
        vec![Evidence::Findings {
            indices: chosen.iter().map(|fault| fault.index).collect(),
            events: chosen.iter().map(|fault| fault.finding.events).sum(),
        }]
    }

    /// The findings whose kind satisfies `what`, faults or not.
    pub(super) fn findings(&self, what: impl Fn(&FindingKind) -> bool) -> Vec<Evidence> {
        let chosen = (0..).zip(&self.record.findings);
        let chosen: Vec<(u32, &Finding)> = chosen.filter(|(_, f)| what(&f.kind)).collect();
        if chosen.is_empty() {
            return Vec::new();
        }
        vec![Evidence::Findings {
            indices: chosen.iter().map(|(index, _)| *index).collect(),
            events: chosen.iter().map(|(_, finding)| finding.events).sum(),
        }]
    }

    /// Rules called `name` that make the verdict marginal or worse.
    pub(super) fn broken(&self, name: &str) -> Vec<Evidence> {
        let bad = |rule: &&Rule| matches!(rule.effect, RuleEffect::Fails | RuleEffect::Marginal);
        let rules = self.verdict.rules.iter().filter(bad);
        let named = rules.filter(|rule| rule.name == name);
        named
            .map(|rule| Evidence::Rule {
                name: rule.name.clone(),
                figure: rule.figure.clone(),
            })
            .collect()
    }

    /// Checked seconds of the machine under kernels of `class` with `rhythm`.
    pub(super) fn seconds(&self, what: impl Fn(LoadClass, &str, Rhythm) -> bool) -> f64 {
        machine_seconds(self.record, &|name, rhythm| {
            let class = self.record.header.class_of(name);
            class.is_some_and(|class| what(class, name, rhythm))
        })
    }

    /// Load that held where other load did not, if it went on long enough to say so: as long at least
    /// as the load that failed, so that an even chance speaks against it at most.
    ///
    /// Of two processes with the same error rate, an error falls into one by its share of the time, so
    /// all of `faults` fall into the one by (erred / (erred + clean)) ^ faults: the conditional test of
    /// two Poisson rates (Przyborowski and Wilenski, Biometrika 31, 1940).
    pub(super) fn clean(&self, what: &str, (erred_s, clean_s): (f64, f64)) -> Option<Evidence> {
        if clean_s <= 0.0 || clean_s < erred_s {
            return None;
        }
        let faults = i32::try_from(self.faults.len()).unwrap_or(i32::MAX);
        Some(Evidence::Clean {
            what: what.to_owned(),
            checked_s: clean_s,
            chance: Some((erred_s / (erred_s + clean_s)).powi(faults)),
        })
    }
}

fn is_reset(finding: &Finding) -> bool {
    matches!(finding.kind, FindingKind::Reset { .. })
}

/// True for a machine that went down without saying why; a panic is a fault of computing that was told.
pub(super) fn without_a_word(finding: &Finding) -> bool {
    matches!(
        finding.kind,
        FindingKind::Reset {
            manner: CrashManner::Sudden | CrashManner::Hang | CrashManner::Unknown,
            ..
        }
    )
}

fn fault_of<'a>(record: &'a Record, index: u32, finding: &'a Finding) -> Option<Fault<'a>> {
    let kernel = finding.kernel.as_deref();
    let class = kernel.and_then(|name| record.header.class_of(name));
    let cause = effect_of(&finding.kind, class).1?;
    let what = match cause {
        Cause::Heat | Cause::HardwareError | Cause::OwnProgram => return None,
        Cause::Reset => In::Machine,
        Cause::Memory => In::Memory,
        Cause::Contention => In::SharedCache,
        Cause::Computation | Cause::Crash => match class {
            Some(LoadClass::Memory) => In::Memory,
            Some(LoadClass::Contention) => In::SharedCache,
            _ if kernel.is_some_and(is_in_shared_cache) => In::SharedCache,
            _ => In::Core,
        },
    };
    Some(Fault {
        index,
        finding,
        class,
        under: under(record, finding),
        what,
        core: finding.cpu.and_then(|cpu| record.core_of(cpu)),
    })
}

/// Kernels are named `unit.level`.
pub(super) fn is_in_shared_cache(kernel: &str) -> bool {
    kernel.ends_with(".llc")
}

/// The rhythm of the load that a finding came under.
fn under(record: &Record, finding: &Finding) -> Under {
    let mut stages = record.header.plan.stages.iter();
    let Some(stage) = stages.find(|stage| stage.name == finding.stage) else {
        return Under::Unknown;
    };
    if stage.is_idle() {
        return Under::LowLoad;
    }
    let loads = stage.segments.iter().flat_map(|segment| &segment.loads);
    let own = loads.filter(|load| {
        let kernel = finding.kernel.as_ref();
        let named = kernel.is_none_or(|name| load.kernels.contains(name));
        named && finding.cpu.is_none_or(|cpu| load.cpus.contains(&cpu))
    });
    let mut rhythms = own.map(|load| match load.rhythm {
        Rhythm::Even => Under::Even,
        Rhythm::Pulsed { .. } => Under::Steps,
        Rhythm::Sparse { .. } => Under::LowLoad,
    });
    let Some(first) = rhythms.next() else {
        return Under::Unknown;
    };
    if rhythms.all(|other| other == first) {
        first
    } else {
        Under::Unknown
    }
}

/// True for an error that the hardware corrected.
pub(super) fn is_corrected(kind: &FindingKind) -> bool {
    matches!(kind, FindingKind::HardwareError { severity, .. } if *severity == Severity::Corrected)
}
