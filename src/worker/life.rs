//! A worker's life: tie itself to its supervisor, get its memory, wait for the epoch, repeat passes in
//! the rhythm, measure the clock now and then, end when told.

use std::io::{BufRead, Write};
use std::time::Duration;

use super::assignment::{Assignment, Message};
use super::errand::{Errand, PassEnd, Pulse};
use super::rhythm::{Phase, phase_at};
use super::slot::{GroupLayout, SlotWriter};
use crate::kernels::{self, Body, ClockProbe, KernelSpec};
use crate::model::{Gap, GapKind, InstructionSet, LoadClass, Mono};
use crate::os::{self, Region, SharedWords};

const PROBE_EVERY: Duration = Duration::from_secs(1);
/// Until the next try when other programs disturbed a probe.
const PROBE_AGAIN: Duration = Duration::from_millis(100);
/// When the two fastest tries of a probe lie further apart, (highest - second) / highest, other programs disturbed it.
const UNDISTURBED: f64 = 0.005;
/// Passes of a group load before its workers change kernel together.
const GROUP_TURN_PASSES: u64 = 32;
/// Below this, whether huge pages back the walked memory says little about a walk.
const LEAST_FOR_HUGE_PAGES: usize = 32 << 20;
/// A pause is slept in pieces, so that a wish to end is heard.
const NAP: Duration = Duration::from_millis(20);

impl GroupLayout {
    /// Places the shared areas of `kernels` one after another.
    pub fn of(kernels: &[&KernelSpec]) -> Self {
        let mut words = 0;
        let mut areas = Vec::new();
        for spec in kernels {
            areas.push(match spec.body {
                Body::Group { area_words, .. } => {
                    let length = area_words.next_multiple_of(512);
                    words += length;
                    Some((words - length, length))
                }
                Body::Compute { .. } | Body::Walk { .. } => None,
            });
        }
        Self { areas, words }
    }
}

/// Lives as a worker: reads the assignment from standard input, works until told to end.
///
/// # Errors
/// What kept it from being set up, in words; it has been said to the supervisor as well.
pub fn work() -> Result<(), String> {
    let outcome = read_assignment().and_then(|assignment| set_up_and_work(&assignment));
    if let Err(reason) = &outcome {
        say(&Message::Unable(reason.clone()));
    }
    outcome
}

fn say(message: &Message) {
    let line = serde_json::to_string(message).unwrap_or_default();
    let mut output = std::io::stdout().lock();
    if let Err(error) = writeln!(output, "{line}").and_then(|()| output.flush()) {
        tracing::debug!(%error, "the supervisor does not listen");
    }
}

fn read_assignment() -> Result<Assignment, String> {
    let mut line = String::new();
    std::io::stdin()
        .lock()
        .read_line(&mut line)
        .map_err(|error| error.to_string())?;
    serde_json::from_str(&line).map_err(|error| format!("assignment not understood: {error}"))
}

fn set_up_and_work(assignment: &Assignment) -> Result<(), String> {
    os::prepare_worker(assignment.parent).map_err(|e| os::with_cause(&e))?;
    kernels::set_float_environment().map_err(|e| os::with_cause(&e))?;
    let slot: &'static SharedWords = Box::leak(Box::new(
        SharedWords::inherit(assignment.slot).map_err(|e| os::with_cause(&e))?,
    ));
    os::install_crash_notes(slot.words());
    let slot = SlotWriter::new(slot.words());
    let area = assignment
        .area
        .map(SharedWords::inherit)
        .transpose()
        .map_err(|e| os::with_cause(&e))?;
    os::pin_to(assignment.cpu).map_err(|e| os::with_cause(&e))?;

    let specs = find_kernels(&assignment.kernels)?;
    let layout = GroupLayout::of(&specs);
    let detected = kernels::detect();
    let mut errands = Vec::new();
    for (spec, place) in specs.iter().copied().zip(&layout.areas) {
        let area = area
            .as_ref()
            .zip(*place)
            .map(|(area, (first, length))| area.words().get(first..first + length).unwrap_or(&[]));
        let (index, count) = (assignment.index, assignment.count);
        errands.push(Errand {
            spec,
            path: spec.best_path(&detected),
            area,
            index,
            count,
            cpu: assignment.cpu,
            reread_on: assignment.reread_on,
        });
    }
    let mut alive = || {
        slot.beat(os::monotonic(), 0);
        !(slot.stop_asked() || os::stop_was_signalled())
    };
    let mut arena = map_arena(&specs, &mut alive)?;
    let mut region = map_region(assignment, slot)?;
    say_who_rereads(assignment, &specs);
    let shown = region.as_ref().unwrap_or(&arena);
    slot.arena(shown.address(), shown.bytes() as u64);
    if let Err(error) = os::confine_worker() {
        tracing::warn!(
            error = os::with_cause(&error),
            "a worker keeps rights that it does not use"
        );
    }
    say(&Message::Ready);
    let mut shift = Shift {
        assignment,
        slot,
        errands,
        passes: Vec::new(),
        probe_at: Mono(0),
    };
    shift.passes = vec![0; shift.errands.len()];
    shift.give_back(region.as_mut());
    shift.work(&mut arena, region.as_mut());
    Ok(())
}

fn find_kernels(names: &[String]) -> Result<Vec<&'static KernelSpec>, String> {
    let find =
        |name: &String| kernels::find(name).ok_or_else(|| format!("no kernel is called `{name}`"));
    names.iter().map(find).collect()
}

fn map_arena(specs: &[&KernelSpec], alive: &mut dyn FnMut() -> bool) -> Result<Region, String> {
    let words = specs.iter().map(|spec| match spec.body {
        Body::Compute { arena_words, .. } => arena_words,
        Body::Walk { .. } | Body::Group { .. } => 0,
    });
    Region::map(words.max().unwrap_or(0) * 8, alive).map_err(|e| os::with_cause(&e))
}

fn map_region(assignment: &Assignment, slot: SlotWriter<'_>) -> Result<Option<Region>, String> {
    if assignment.memory_bytes == 0 {
        return Ok(None);
    }
    let bytes = usize::try_from(assignment.memory_bytes).map_err(|error| error.to_string())?;
    let mut alive = || {
        slot.beat(os::monotonic(), 0);
        let asked_back = slot.keep_bytes().is_some_and(|keep| keep < bytes);
        !(slot.stop_asked() || os::stop_was_signalled() || asked_back)
    };
    let region = Region::map(bytes, &mut alive).map_err(|e| os::with_cause(&e))?;
    let environment = |about: &str, remedy: &str| {
        say(&Message::Environment(Gap {
            kind: GapKind::Environment,
            about: about.to_owned(),
            remedy: remedy.to_owned(),
        }));
    };
    if !region.is_locked() {
        environment(
            "walked memory could not be locked: the kernel may move or swap it",
            "raise the limit of locked memory (`ulimit -l unlimited`) or run as a service",
        );
    }
    if region.bytes() >= LEAST_FOR_HUGE_PAGES {
        let remedy = "walks are slower so; allow huge pages in \
                      `/sys/kernel/mm/transparent_hugepage/enabled`, or free some memory";
        match region.huge_bytes() {
            Some(0) => environment("walked memory has no huge pages", remedy),
            Some(huge) if huge < region.bytes() / 10 * 9 => {
                environment("only part of the walked memory has huge pages", remedy);
            }
            Some(_) => {}
            None => environment("whether walked memory has huge pages is not told", ""),
        }
    }
    Ok(Some(region))
}

/// Held memory has to be read back past the caches of the core that stored it.
fn say_who_rereads(assignment: &Assignment, specs: &[&KernelSpec]) {
    let is_held = |spec: &&KernelSpec| {
        matches!(
            spec.body,
            Body::Walk {
                reread: Some(_),
                ..
            }
        )
    };
    let holds = specs.iter().any(is_held);
    if holds && assignment.reread_on.is_none() {
        say(&Message::Environment(Gap {
            kind: GapKind::Environment,
            about: format!(
                "memory held by {} was read back by the core that stored it: the load has no other",
                assignment.cpu
            ),
            remedy: "let the load run on several cores at once".to_owned(),
        }));
    }
}

/// Other programs and interrupts only ever make a try slower, and hardly two of them by as much: where the two
/// fastest agree they show the clock, however slow the rest were.
fn is_undisturbed(probe: &ClockProbe) -> bool {
    probe.best_two_spread <= UNDISTURBED
}

struct Shift<'a> {
    assignment: &'a Assignment,
    slot: SlotWriter<'a>,
    errands: Vec<Errand<'a>>,
    passes: Vec<u64>,
    probe_at: Mono,
}

impl Shift<'_> {
    fn told_to_end(&self) -> bool {
        self.slot.stop_asked() || os::stop_was_signalled() || os::control_pipe_closed()
    }

    fn work(&mut self, arena: &mut Region, mut region: Option<&mut Region>) {
        // Before the epoch and in pauses the worker is idle by intent, which is not silence.
        self.slot.pausing(true);
        if !self.rest_until(self.assignment.epoch) {
            return;
        }
        while !self.told_to_end() {
            let now = os::monotonic();
            let place = (self.assignment.index, self.assignment.count);
            match phase_at(self.assignment.rhythm, self.assignment.epoch, now, place) {
                Phase::Pause { until } => {
                    self.slot.pausing(true);
                    if !self.rest_until(until) {
                        return;
                    }
                }
                Phase::Load { .. } => {
                    self.slot.pausing(false);
                    let kernel = self.kernel_at(now);
                    if self.pass(kernel, arena, region.as_deref_mut()) == PassEnd::Stopped {
                        self.give_back(region.as_deref_mut());
                        continue;
                    }
                    self.probe_clock(kernel);
                }
            }
        }
    }

    /// Lets go of memory that the supervisor asked for; the pass under way was given up for it.
    fn give_back(&self, region: Option<&mut Region>) {
        if let Some((region, keep)) = region.zip(self.slot.keep_bytes())
            && keep < region.bytes()
        {
            region.shrink(keep);
            self.slot.arena(region.address(), region.bytes() as u64);
        }
    }

    fn rest_until(&self, until: Mono) -> bool {
        loop {
            let now = os::monotonic();
            self.slot.beat(now, 0);
            if now >= until {
                return true;
            }
            if self.told_to_end() {
                return false;
            }
            os::sleep_until(until.min(now.plus(NAP)));
        }
    }

    /// Members of a group must agree on every pass, so they change kernel by count; others by time.
    fn kernel_at(&self, now: Mono) -> usize {
        let count = self.errands.len().max(1);
        let done: u64 = self.passes.iter().sum();
        let turn = if self.errands.iter().any(|errand| errand.area.is_some()) {
            done / GROUP_TURN_PASSES
        } else if self.assignment.switch_ms == 0 {
            done
        } else {
            let since = now.since(self.assignment.epoch).as_millis();
            u64::try_from(since).unwrap_or(0) / u64::from(self.assignment.switch_ms)
        };
        usize::try_from(turn % count as u64).unwrap_or(0)
    }

    fn pass(&mut self, kernel: usize, arena: &mut Region, region: Option<&mut Region>) -> PassEnd {
        self.slot.kernel(kernel);
        let walked = region.as_ref().map(|region| region.bytes() as u64);
        let pass = self.passes[kernel];
        let mut pulse = Pulse {
            slot: self.slot,
            kernel,
            pass,
            region_address: 0,
            region_bytes: 0,
            flushes: self.assignment.flush,
        };
        let (wall, cpu) = (os::monotonic(), os::thread_cpu_ns());
        self.slot.beat(wall, 0);
        let end = self.errands[kernel].pass(arena, region, &mut pulse);
        if let PassEnd::Checked(digest) = end {
            let wall_ns = os::monotonic().0.saturating_sub(wall.0);
            let cpu_ns = os::thread_cpu_ns().saturating_sub(cpu);
            self.slot.passed(kernel, wall_ns.min(cpu_ns), digest);
            self.passes[kernel] += 1;
            if walked.is_some_and(|bytes| bytes < self.assignment.memory_bytes) {
                self.slot.passed_in_part();
            }
        }
        end
    }

    fn probe_clock(&mut self, kernel: usize) {
        let now = os::monotonic();
        if now < self.probe_at {
            return;
        }
        let errand = &self.errands[kernel];
        let wide = match errand.spec.class {
            LoadClass::WideVector => Some(errand.path),
            LoadClass::ScalarInteger
            | LoadClass::ScalarFloat
            | LoadClass::Memory
            | LoadClass::Contention => None,
        };
        let wide = wide.filter(|path| {
            matches!(
                path,
                InstructionSet::Avx2 | InstructionSet::Avx512 | InstructionSet::Avx512Ifma
            )
        });
        let probe = kernels::probe_clock(wide, &mut os::raw_ns);
        if !is_undisturbed(&probe) {
            self.probe_at = now.plus(PROBE_AGAIN);
            return;
        }
        self.probe_at = now.plus(PROBE_EVERY);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a clock in kHz is positive and small"
        )]
        let khz = (probe.mhz.max(0.0) * 1000.0) as u64;
        self.slot.clock(kernel, khz);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_probe_whose_fastest_tries_lie_apart_is_no_clock() {
        let probe = |best_two_spread| ClockProbe {
            mhz: 4000.0,
            spread: 0.9,
            best_two_spread,
        };
        assert!(is_undisturbed(&probe(0.0)) && is_undisturbed(&probe(0.004)));
        assert!(!is_undisturbed(&probe(0.006)) && !is_undisturbed(&probe(0.5)));
    }
}
