//! Figures of a campaign: spreads of latencies, what a process costs.

use std::fmt;
use std::fs;
use std::time::{Duration, Instant};

/// Median, 99th of 100, and largest.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Spread {
    count: usize,
    half: Duration,
    p99: Duration,
    most: Duration,
}

/// The spread of `spans` (nearest rank).
pub(crate) fn spread(mut spans: Vec<Duration>) -> Option<Spread> {
    spans.sort();
    let rank = |percent: usize| {
        let place = (spans.len() * percent).div_ceil(100).max(1) - 1;
        spans.get(place).copied()
    };
    Some(Spread {
        count: spans.len(),
        half: rank(50)?,
        p99: rank(99)?,
        most: rank(100)?,
    })
}

impl fmt::Display for Spread {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let ms = |span: Duration| span.as_secs_f64() * 1e3;
        write!(
            f,
            "p50 {:.1} ms, p99 {:.1} ms, most {:.1} ms ({} of them)",
            ms(self.half),
            ms(self.p99),
            ms(self.most),
            self.count
        )
    }
}

/// What a process has cost so far.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Cost {
    /// User and system time.
    pub(crate) cpu: Duration,
    pub(crate) resident_kib: u64,
    pub(crate) at: Instant,
}

impl Cost {
    /// By the kernel's account of process `pid`; none once it has gone.
    pub(crate) fn of(pid: u32) -> Option<Self> {
        let stat = fs::read_to_string(format!("/proc/{pid}/stat")).ok()?;
        // proc(5): utime and stime are fields 14 and 15, in ticks of 10 ms; the name before may hold blanks.
        let fields: Vec<&str> = stat.rsplit_once(')')?.1.split_whitespace().collect();
        let ticks: u64 =
            fields.get(11)?.parse::<u64>().ok()? + fields.get(12)?.parse::<u64>().ok()?;
        let status = fs::read_to_string(format!("/proc/{pid}/status")).ok()?;
        let resident = status
            .lines()
            .find_map(|line| line.strip_prefix("VmRSS:"))?;
        Some(Self {
            cpu: Duration::from_millis(ticks * 10),
            resident_kib: resident.trim().trim_end_matches(" kB").parse().ok()?,
            at: Instant::now(),
        })
    }

    /// Share of a core since `before`, in percent.
    pub(crate) fn share_since(&self, before: &Self) -> f64 {
        let cpu = self.cpu.saturating_sub(before.cpu);
        100.0 * cpu.as_secs_f64() / self.at.duration_since(before.at).as_secs_f64().max(1e-3)
    }
}

/// Does it, and says how long it took.
pub(crate) fn timed<T>(work: impl FnOnce() -> T) -> (T, Duration) {
    let begun = Instant::now();
    let done = work();
    (done, begun.elapsed())
}
