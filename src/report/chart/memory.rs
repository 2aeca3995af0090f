//! Where memory failed: addresses over the installed memory, and which bits of a word.

use super::plot::WIDTH;
use super::svg::Svg;
use crate::model::{FindingKind, MemoryFault, Record};
use crate::report::units::{bytes, counted};

const HEIGHT: f64 = 122.0;
const SIDE: f64 = 50.0;
const ROOM: f64 = WIDTH - 2.0 * SIDE;
const BAR_TOP: f64 = 22.0;
const BAR: f64 = 22.0;
const BITS_TOP: f64 = 88.0;
const WORD: u32 = 64;

/// What a map of memory is made of.
struct Memory {
    installed: u64,
    walked: u64,
    faults: Vec<MemoryFault>,
}

/// The map, as SVG; none where no memory was walked and none failed.
pub fn memory_map(record: &Record) -> Option<String> {
    let memory = Memory {
        installed: record.header.machine.memory_bytes,
        walked: walked(record),
        faults: faults(record),
    };
    if memory.walked == 0 && memory.faults.is_empty() {
        return None;
    }
    let about = about(&memory);
    let mut svg = Svg::new("memory", (WIDTH, HEIGHT), ("Memory", &about));
    draw_addresses(&mut svg, &memory);
    draw_bits(&mut svg, &memory.faults);
    Some(svg.finish())
}

/// Bytes of the largest walk of the plan that was begun, over all of its workers.
fn walked(record: &Record) -> u64 {
    let begun = record.stages.iter().filter(|mark| !mark.finished);
    let stages = begun.filter_map(|mark| record.header.plan.stages.get(usize::from(mark.stage)));
    let segments = stages.flat_map(|stage| &stage.segments);
    let size = |segment: &crate::model::Segment| -> u64 {
        let loads = segment.loads.iter();
        let sizes = loads.map(|load| {
            let workers = u64::try_from(load.cpus.len()).unwrap_or(u64::MAX);
            load.memory_bytes_per_worker.saturating_mul(workers)
        });
        sizes.fold(0, u64::saturating_add)
    };
    segments.map(size).max().unwrap_or(0)
}

fn faults(record: &Record) -> Vec<MemoryFault> {
    let mut faults = Vec::new();
    for finding in &record.findings {
        if let FindingKind::WrongMemory(fault) = &finding.kind {
            faults.push(fault.clone());
        }
    }
    faults
}

fn about(memory: &Memory) -> String {
    let number = u64::try_from(memory.faults.len()).unwrap_or(u64::MAX);
    let located = memory
        .faults
        .iter()
        .filter(|fault| fault.physical.is_some());
    format!(
        "{} of {} walked; {}, the physical address of {} known",
        bytes(memory.walked),
        bytes(memory.installed),
        counted(number, "failing word", "failing words"),
        located.count()
    )
}

#[expect(clippy::cast_precision_loss, reason = "drawn to a tenth of a pixel")]
fn share(part: u64, whole: u64) -> f64 {
    (part as f64 / (whole.max(1)) as f64).clamp(0.0, 1.0)
}

/// Physical addresses reach past the installed size where the machine has a hole below 4 GiB.
fn draw_addresses(svg: &mut Svg, memory: &Memory) {
    let highest = memory
        .faults
        .iter()
        .filter_map(|fault| fault.physical)
        .max();
    let end = memory
        .installed
        .max(highest.map_or(0, |at| at.saturating_add(1)));
    svg.rect("store", (SIDE, BAR_TOP), (ROOM, BAR));
    let part = share(memory.walked, memory.installed) * share(memory.installed, end);
    svg.rect("walked", (SIDE, BAR_TOP + BAR + 4.0), (part * ROOM, 6.0));
    let words = format!(
        "{} walked of {} installed (how much, not where)",
        bytes(memory.walked),
        bytes(memory.installed)
    );
    svg.words("mark start", (SIDE, BAR_TOP + BAR + 23.0), &words);
    svg.words("mark start", (SIDE, BAR_TOP - 7.0), "physical address 0");
    let last = format!("{end:#x}");
    svg.words("mark end", (SIDE + ROOM, BAR_TOP - 7.0), &last);
    for at in memory.faults.iter().filter_map(|fault| fault.physical) {
        let x = SIDE + share(at, end) * ROOM;
        svg.line("fault", (x, BAR_TOP - 4.0), (x, BAR_TOP + BAR + 2.0));
    }
}

/// A column for each bit of a word, as high as often it was wrong.
fn draw_bits(svg: &mut Svg, faults: &[MemoryFault]) {
    let mut counts = [0_u32; 64];
    for fault in faults {
        for (bit, count) in counts.iter_mut().enumerate() {
            *count += u32::from((fault.rose() | fault.fell()) >> bit & 1 == 1);
        }
    }
    let most = counts.iter().copied().max().unwrap_or(0).max(1);
    let width = ROOM / f64::from(WORD);
    for (index, count) in (0_u32..).zip(counts) {
        // The highest bit stands left, as in a written number.
        let x = SIDE + f64::from(WORD - 1 - index) * width;
        let height = 14.0 * f64::from(count) / f64::from(most);
        if count == 0 {
            svg.rect("bit-none", (x + 0.5, BITS_TOP + 13.0), (width - 1.0, 1.0));
        } else {
            let at = (x + 0.5, BITS_TOP + 14.0 - height);
            svg.rect("bit", at, (width - 1.0, height));
        }
        if index % 16 == 15 || index == 0 {
            let middle = (x + width / 2.0, BITS_TOP + 28.0);
            svg.words("mark middle", middle, &index.to_string());
        }
    }
    svg.words("mark end", (SIDE - 6.0, BITS_TOP + 28.0), "bit");
}
