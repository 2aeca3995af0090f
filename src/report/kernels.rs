//! The catalogue of kernels, as plain lines that the caller makes from it.

use serde_json::{Value, json};

use super::json::{KERNELS_SCHEMA, value};
use super::page::{Flush, Page, Style};
use crate::model::{InstructionSet, LoadClass, MemoryLevel, Unit};

/// One kernel of the list.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KernelLine {
    /// Its name.
    pub name: String,
    /// Load class.
    pub class: LoadClass,
    /// Units that it keeps busy.
    pub units: Vec<Unit>,
    /// Where its data lives.
    pub level: MemoryLevel,
    /// Instruction set that would be used on this machine.
    pub code: InstructionSet,
    /// One line for people.
    pub about: String,
}

/// A table of kernels, in the order given.
pub fn kernels_text(kernels: &[KernelLine], style: Style) -> String {
    let mut page = Page::new(&style);
    let rows: Vec<Vec<String>> = kernels
        .iter()
        .map(|kernel| {
            let units: Vec<&str> = kernel.units.iter().map(|unit| unit_words(*unit)).collect();
            vec![
                kernel.name.clone(),
                kernel.class.to_string(),
                level_words(kernel.level).to_owned(),
                kernel.code.words().to_owned(),
                format!("{}; busy: {}", kernel.about, units.join(", ")),
            ]
        })
        .collect();
    page.table(
        &[
            ("kernel", Flush::Left),
            ("class", Flush::Left),
            ("data in", Flush::Left),
            ("code", Flush::Left),
            ("what it does", Flush::Left),
        ],
        &rows,
    );
    page.finish()
}

fn unit_words(unit: Unit) -> &'static str {
    match unit {
        Unit::IntegerAlu => "integer add and logic",
        Unit::Shifter => "shifts",
        Unit::Multiplier => "integer multiply",
        Unit::Divider => "integer divide",
        Unit::FloatMultiplyAdd => "float multiply-add",
        Unit::FloatDivide => "float divide and root",
        Unit::VectorInteger => "vector integer",
        Unit::VectorShuffle => "vector shuffle",
        Unit::Hash => "hash instructions",
        Unit::LoadStore => "loads and stores",
        Unit::Branch => "branches",
        Unit::Coherence => "coherence",
        Unit::MemoryController => "memory controller",
    }
}

fn level_words(level: MemoryLevel) -> &'static str {
    match level {
        MemoryLevel::Registers => "registers",
        MemoryLevel::L1 => "cache 1",
        MemoryLevel::L2 => "cache 2",
        MemoryLevel::LastLevel => "last cache",
        MemoryLevel::Memory => "memory",
    }
}

/// `soakproof.kernels/1`: `kernels`, a list of `name`, `class`, `units`, `level`, `instruction_set`, `about`.
pub fn kernels_json(kernels: &[KernelLine]) -> Value {
    let list: Vec<Value> = kernels
        .iter()
        .map(|kernel| {
            json!({
                "name": kernel.name,
                "class": value(&kernel.class),
                "units": value(&kernel.units),
                "level": value(&kernel.level),
                "instruction_set": value(&kernel.code),
                "about": kernel.about,
            })
        })
        .collect();
    json!({ "schema": KERNELS_SCHEMA, "kernels": list })
}
