//! Findings and gaps: repeats of one fault are one fault, and every piece of evidence carries its
//! circumstances.

use super::{Action, Core, Fault, WorkerId};
use crate::model::{
    Channel, CpuId, End, Entry, Finding, FindingKind, Gap, Moment, OnFinding, Severity,
};

fn fault_of(cpu: Option<CpuId>, kernel: Option<&str>, kind: &FindingKind) -> Fault {
    match (kind, cpu) {
        (FindingKind::WrongAnswer(_), Some(cpu)) => {
            Fault::Answer(cpu, kernel.unwrap_or_default().to_owned())
        }
        (FindingKind::WrongMemory(fault), Some(cpu)) => match fault.physical {
            // A physical word is the same word whoever walks it.
            Some(physical) => Fault::Memory(CpuId(0), physical, true),
            None => Fault::Memory(cpu, fault.address, false),
        },
        (
            FindingKind::HardwareError {
                severity, source, ..
            },
            _,
        ) => Fault::Hardware(source.clone(), *severity),
        (FindingKind::Throttled { source, .. }, _) => Fault::Throttled(source.clone()),
        (FindingKind::CoolingStopped { label }, _) => Fault::Cooling(label.clone()),
        (FindingKind::OwnProgram { program, .. }, _) => Fault::Program(program.clone()),
        (
            FindingKind::WrongAnswer(_)
            | FindingKind::WrongMemory(_)
            | FindingKind::Trap { .. }
            | FindingKind::Stall { .. }
            | FindingKind::OverHot { .. }
            | FindingKind::Reset { .. },
            _,
        ) => Fault::Other,
    }
}

fn is_failing(kind: &FindingKind) -> bool {
    match kind {
        FindingKind::WrongAnswer(_)
        | FindingKind::WrongMemory(_)
        | FindingKind::Trap { .. }
        | FindingKind::Stall { .. }
        | FindingKind::OverHot { .. }
        | FindingKind::OwnProgram { .. }
        | FindingKind::Reset { .. } => true,
        FindingKind::HardwareError { severity, .. } => *severity != Severity::Corrected,
        FindingKind::Throttled { .. } | FindingKind::CoolingStopped { .. } => false,
    }
}

impl Core {
    /// Records `gap`, each once.
    pub(super) fn gap(&mut self, gap: Gap, actions: &mut Vec<Action>) {
        if !self.gaps.contains(&gap) {
            self.gaps.push(gap.clone());
            actions.push(Action::Record(Entry::Gap(gap)));
        }
    }

    /// Records a finding or another event of a known fault; a failing one may end the run.
    pub(super) fn find(
        &mut self,
        now: Moment,
        source: Option<(WorkerId, String)>,
        kind: FindingKind,
        actions: &mut Vec<Action>,
    ) {
        let worker = source
            .as_ref()
            .and_then(|(number, _)| self.workers.get(number));
        let cpu = worker.map(|worker| worker.cpu);
        let kernel = source.as_ref().map(|(_, kernel)| kernel.clone());
        let fault = fault_of(cpu, kernel.as_deref(), &kind);
        let failing = is_failing(&kind);
        // The guard ends the run itself, under its own reason.
        let by_guard = matches!(kind, FindingKind::OverHot { .. });
        let events = match &kind {
            FindingKind::HardwareError { count: events, .. }
            | FindingKind::Throttled { events, .. } => (*events).max(1),
            FindingKind::WrongAnswer(_)
            | FindingKind::WrongMemory(_)
            | FindingKind::Trap { .. }
            | FindingKind::Stall { .. }
            | FindingKind::OverHot { .. }
            | FindingKind::CoolingStopped { .. }
            | FindingKind::OwnProgram { .. }
            | FindingKind::Reset { .. } => 1,
        };
        let known = self
            .faults
            .iter()
            .position(|other| *other == fault && fault != Fault::Other);
        // The reader of throttling counts since the run began; all others tell of new events.
        let cumulative = known.is_some() && matches!(kind, FindingKind::Throttled { .. });
        if let Some(index) = known.or_else(|| self.last_alike(&kind)) {
            let known = &mut self.findings[index];
            known.events = if cumulative {
                known.events.max(events)
            } else {
                known.events.saturating_add(events)
            };
            let (finding, events) = (u32::try_from(index).unwrap_or(u32::MAX), known.events);
            actions.push(Action::Record(Entry::Repeated { finding, events }));
        } else {
            let clock_mhz = worker.and_then(|worker| {
                let progress = worker.progress.as_ref()?;
                let clock = progress
                    .clock_mhz
                    .get(usize::from(progress.kernel))
                    .copied();
                clock.filter(|mhz| *mhz > 0.0)
            });
            let temperature_c = self.temperature_at(cpu);
            let stage = self.stage_name();
            let finding = Finding {
                at: now,
                stage,
                cpu,
                kernel,
                temperature_c,
                clock_mhz,
                kind,
                events,
            };
            self.findings.push(finding.clone());
            self.faults.push(fault);
            actions.push(Action::Record(Entry::Finding(finding)));
        }
        if failing && !by_guard && self.plan.on_finding == OnFinding::Stop {
            self.close(End::Finding, actions);
        }
    }

    /// Past the limit every further fault raises the count of the last one kept of its kind and
    /// weight, so that no kind of evidence is hidden behind a thousand of another.
    fn last_alike(&self, kind: &FindingKind) -> Option<usize> {
        if self.findings.len() < self.limits.findings {
            return None;
        }
        self.findings.iter().rposition(|known| {
            std::mem::discriminant(&known.kind) == std::mem::discriminant(kind)
                && is_failing(&known.kind) == is_failing(kind)
        })
    }

    /// The core's own thermometer where there is one, else the hottest of the processor.
    pub(super) fn temperature_at(&self, cpu: Option<CpuId>) -> Option<f64> {
        let place = self.machine.cpus.iter().find(|known| Some(known.id) == cpu);
        let core = place.map(|place| place.core);
        let thermometers = self
            .channels
            .iter()
            .filter(|channel| channel.is_processor_thermometer());
        let value = |channel: &Channel| {
            let reading = self
                .readings
                .iter()
                .find(|reading| reading.channel == channel.id);
            reading.map(|reading| reading.value)
        };
        let own = thermometers
            .clone()
            .find(|channel| channel.core.is_some() && channel.core == core)
            .and_then(value);
        own.or_else(|| thermometers.filter_map(value).max_by(f64::total_cmp))
    }
}
