//! Memory pressure, `proc/pressure/memory` (Linux 6.12 Documentation/accounting/psi.rst).

use super::kept::KeptFile;
use super::text::read_attribute;
use crate::os::Root;

/// How much time tasks lost waiting for memory.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MemoryPressure {
    /// Percent of the last 10 s in which at least one task waited.
    pub some_percent: f64,
    /// Percent of the last 10 s in which all waited.
    pub full_percent: f64,
    /// Microseconds in which all waited, cumulative.
    pub full_us: u64,
}

const PATH: &str = "proc/pressure/memory";

/// Reads it; none where the kernel does not keep it.
pub fn read_memory_pressure(root: &Root) -> Option<MemoryPressure> {
    parse_pressure(&read_attribute(root, PATH)?)
}

/// The file, to be read again and again.
#[derive(Debug)]
pub(super) struct MemoryPressureFile(KeptFile);

impl MemoryPressureFile {
    pub(super) fn new() -> Self {
        Self(KeptFile::new(PATH.to_owned()))
    }

    pub(super) fn keep(&mut self, left: &mut usize) {
        self.0.keep(left);
    }

    pub(super) fn read(&mut self, root: &Root) -> Option<MemoryPressure> {
        parse_pressure(&self.0.read(root).ok()?)
    }
}

fn parse_pressure(text: &str) -> Option<MemoryPressure> {
    let field = |line: &str, name: &str| -> Option<String> {
        let fields = text.lines().find_map(|l| l.strip_prefix(line))?;
        let value = fields
            .split_whitespace()
            .find_map(|f| f.strip_prefix(name))?;
        Some(value.to_owned())
    };
    Some(MemoryPressure {
        some_percent: field("some ", "avg10=")?.parse().ok()?,
        full_percent: field("full ", "avg10=")?.parse().ok()?,
        full_us: field("full ", "total=")?.parse().ok()?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_documented_lines_are_read() {
        let text = "some avg10=1.25 avg60=0.00 avg300=0.00 total=900\n\
                    full avg10=0.50 avg60=0.00 avg300=0.00 total=400\n";
        let pressure = parse_pressure(text).unwrap();
        assert_eq!(pressure.some_percent, 1.25);
        assert_eq!((pressure.full_percent, pressure.full_us), (0.5, 400));
        assert_eq!(parse_pressure("some avg10=0.00"), None);
    }
}
