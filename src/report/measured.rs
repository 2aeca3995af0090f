//! What `measure` found, as text for people and JSON for programs.

use serde_json::{Value, json};

use super::json::{MEASURE_SCHEMA, value};
use super::page::{Flush, Page, Style};
use super::units::{bytes, counted, figure, per_cent, span};
use crate::measure::{
    Bound, ClassFigure, KernelFigure, Limit, LimitFigure, Measured, MemoryLimits, OfLimit,
    RateUnit, Spread,
};
use crate::model::{LoadClass, Machine};

/// Share of lost time from which it is said.
const BUSY: f64 = 0.01;
/// Probe spread from which a noisy host is named.
const NOISY: f64 = 0.005;

/// The figures by class, one line a kernel.
pub fn measured_text(measured: &Measured, machine: &Machine, style: Style) -> String {
    let mut page = Page::new(&style);
    let cores = counted(measured.cores as u64, "core", "cores");
    let repeats = counted(measured.repeats as u64, "repeat", "repeats");
    let took = span(measured.seconds);
    page.say(
        "measured",
        &format!("{}, {cores}, {repeats}, {took}", machine.processor),
    );
    page.say(
        "meaning",
        "`of limit` is how near a kernel comes to what this machine can do at all, by a bare loop in \
         the same run: near 100 % the load is a load. `checks` is the part of it that goes into \
         checking answers.",
    );
    if measured.lost_share >= BUSY || measured.probe_spread >= NOISY {
        let text = format!(
            "other programs took {} of the time, and clock probes differ by {}: close them and measure \
             again for figures to rely on",
            per_cent(measured.lost_share),
            per_cent(measured.probe_spread)
        );
        page.say("busy", &text);
    }
    for class in LoadClass::ALL {
        let kernels = || {
            let kernels = measured.kernels.iter();
            kernels.filter(|kernel| kernel.class == class)
        };
        if kernels().next().is_none() {
            continue;
        }
        page.heading(class.words());
        page.table(
            &[
                ("kernel", Flush::Left),
                ("code", Flush::Left),
                ("rate", Flush::Right),
                ("of limit", Flush::Right),
                ("spread", Flush::Right),
                ("checks", Flush::Right),
            ],
            &kernels().map(kernel_row).collect::<Vec<_>>(),
        );
        let mut classes = measured.classes.iter();
        if let Some(together) = classes.find(|figure| figure.class == class) {
            page.plain(&together_words(together, measured.cores));
        }
    }
    page.heading("limits of one core");
    page.table(
        &[
            ("limit", Flush::Left),
            ("code", Flush::Left),
            ("at most", Flush::Left),
        ],
        &limit_rows(measured),
    );
    for kernel in measured.kernels.iter().filter(|kernel| kernel.wrong) {
        page.blank();
        let text = format!(
            "{} gave a wrong answer while it was measured. Run a suite now: `soakproof run recheck`",
            kernel.name
        );
        page.say("WRONG", &text);
    }
    page.finish()
}

fn kernel_row(kernel: &KernelFigure) -> Vec<String> {
    let of_limit = kernel.of_limit.map(|of_limit| of_limit.fraction);
    let whole = |share: f64| format!("{:.0} %", share * 100.0);
    let fine = |share: f64| format!("{:.1} %", share * 100.0);
    let or_none = |text: Option<String>| text.unwrap_or_else(|| "-".to_owned());
    vec![
        kernel.name.to_owned(),
        kernel.set.words().to_owned(),
        rate_words(kernel),
        or_none(of_limit.map(|of_limit| whole(of_limit.median))),
        or_none(of_limit.map(|of_limit| fine(of_limit.spread))),
        or_none(kernel.checking.map(fine)),
    ]
}

fn rate_words(kernel: &KernelFigure) -> String {
    let (scale, unit) = match kernel.unit {
        RateUnit::DoubleFlops | RateUnit::SingleFlops => (1e9, "Gflop/s"),
        RateUnit::IntegerOperations => (1e9, "Gop/s"),
        RateUnit::Divisions => (1e6, "M div/s"),
        RateUnit::HashBlocks => (1e6, "M blk/s"),
        RateUnit::Bytes => (1e9, "GB/s"),
        RateUnit::Exchanges => (1e6, "M line/s"),
        RateUnit::Passes => (1.0, "pass/s"),
    };
    format!("{:.1} {unit}", kernel.rate_per_s / scale)
}

fn together_words(together: &ClassFigure, cores: usize) -> String {
    let clock = |mhz: f64| format!("{mhz:.0}");
    let clocks = if together.fastest_mhz - together.slowest_mhz < 1.0 {
        clock(together.fastest_mhz)
    } else {
        let (slowest, fastest) = (clock(together.slowest_mhz), clock(together.fastest_mhz));
        format!("{slowest} to {fastest}")
    };
    let scaling = together.scaling.map_or_else(String::new, |scaling| {
        format!(
            "; {cores} cores do {} of {cores} times one",
            per_cent(scaling)
        )
    });
    format!("all cores at {}: {clocks} MHz{scaling}", together.kernel)
}

fn limit_rows(measured: &Measured) -> Vec<Vec<String>> {
    let cores = measured.limits.iter().map(|one| {
        vec![
            limit_words(one.limit).to_owned(),
            one.set.words().to_owned(),
            format!(
                "{} {} a cycle",
                figure(one.per_cycle.median, 2),
                counted_words(one.unit)
            ),
        ]
    });
    let MemoryLimits {
        in_place,
        read,
        copy,
        bytes: walked,
    } = measured.memory;
    let gigabytes = |spread: Spread| format!("{:.1}", spread.median / 1e9);
    let memory = format!(
        "{} GB/s inverted in place, {} read, {} copied (read and written both counted)",
        gigabytes(in_place),
        gigabytes(read),
        gigabytes(copy)
    );
    cores
        .chain([vec![
            format!("{} of memory", bytes(walked as u64)),
            "plain".to_owned(),
            memory,
        ]])
        .collect()
}

fn limit_words(limit: Limit) -> &'static str {
    match limit {
        Limit::Dispatch => "width of the core",
        Limit::IntegerAlu => "integer additions",
        Limit::VectorInteger => "vector integers",
        Limit::DoubleMultiplyAdd => "double multiply-add",
        Limit::SingleMultiplyAdd => "single multiply-add",
        Limit::Divide => "integer division",
        Limit::HashRounds => "hash rounds",
    }
}

fn counted_words(unit: RateUnit) -> &'static str {
    match unit {
        RateUnit::DoubleFlops | RateUnit::SingleFlops => "flop",
        RateUnit::IntegerOperations => "operations",
        RateUnit::Divisions => "divisions",
        RateUnit::HashBlocks => "blocks",
        RateUnit::Bytes => "bytes",
        RateUnit::Exchanges => "lines",
        RateUnit::Passes => "passes",
    }
}

/// `soakproof.measure/1`. Shares and spreads are 0..1; a spread is the distance of the quartiles over
/// the median.
///
/// - `processor`, `cores`, `repeats`, `length_s`, `share_lost_to_others`, `clock_probe_spread`;
/// - `limits`: `limit`, `instruction_set`, `unit`, `per_cycle`, `spread`;
/// - `memory`: `walked_bytes` and per plain pass `..._bytes_per_s` and `..._spread`;
/// - `kernels`: `name`, `class`, `instruction_set`, `unit`, `rate_per_s`, `limit`, `share_of_limit`,
///   `spread`, `checking_share`, `clock_mhz`, `wrong_answer`; null where there is none;
/// - `classes`, on all cores: `class`, `kernel`, `slowest_core_mhz`, `fastest_core_mhz`, `scaling_share`.
pub fn measured_json(measured: &Measured, machine: &Machine) -> Value {
    let memory = measured.memory;
    json!({
        "schema": MEASURE_SCHEMA,
        "processor": machine.processor,
        "cores": measured.cores,
        "repeats": measured.repeats,
        "length_s": measured.seconds,
        "share_lost_to_others": measured.lost_share,
        "clock_probe_spread": measured.probe_spread,
        "limits": measured.limits.iter().map(limit_json).collect::<Vec<_>>(),
        "memory": {
            "walked_bytes": memory.bytes,
            "in_place_bytes_per_s": memory.in_place.median,
            "in_place_spread": memory.in_place.spread,
            "read_bytes_per_s": memory.read.median,
            "read_spread": memory.read.spread,
            "copy_bytes_per_s": memory.copy.median,
            "copy_spread": memory.copy.spread,
        },
        "kernels": measured.kernels.iter().map(kernel_json).collect::<Vec<_>>(),
        "classes": measured.classes.iter().map(class_json).collect::<Vec<_>>(),
    })
}

fn limit_json(one: &LimitFigure) -> Value {
    json!({
        "limit": limit_key(one.limit),
        "instruction_set": value(&one.set),
        "unit": unit_key(one.unit),
        "per_cycle": one.per_cycle.median,
        "spread": one.per_cycle.spread,
    })
}

fn kernel_json(kernel: &KernelFigure) -> Value {
    let of = |take: fn(OfLimit) -> f64| kernel.of_limit.map(take);
    json!({
        "name": kernel.name,
        "class": value(&kernel.class),
        "instruction_set": value(&kernel.set),
        "unit": unit_key(kernel.unit),
        "rate_per_s": kernel.rate_per_s,
        "limit": kernel.of_limit.map(|of_limit| bound_key(of_limit.bound)),
        "share_of_limit": of(|of_limit| of_limit.fraction.median),
        "spread": of(|of_limit| of_limit.fraction.spread),
        "checking_share": kernel.checking,
        "clock_mhz": kernel.clock_mhz,
        "wrong_answer": kernel.wrong,
    })
}

fn class_json(together: &ClassFigure) -> Value {
    json!({
        "class": value(&together.class),
        "kernel": together.kernel,
        "slowest_core_mhz": together.slowest_mhz,
        "fastest_core_mhz": together.fastest_mhz,
        "scaling_share": together.scaling,
    })
}

fn bound_key(bound: Bound) -> &'static str {
    match bound {
        Bound::Core(limit) => limit_key(limit),
        Bound::InPlacePass => "in-place-pass",
        Bound::BareHandover => "bare-handover",
    }
}

fn limit_key(limit: Limit) -> &'static str {
    match limit {
        Limit::Dispatch => "dispatch",
        Limit::IntegerAlu => "integer-alu",
        Limit::VectorInteger => "vector-integer",
        Limit::DoubleMultiplyAdd => "double-multiply-add",
        Limit::SingleMultiplyAdd => "single-multiply-add",
        Limit::Divide => "divide",
        Limit::HashRounds => "hash-rounds",
    }
}

fn unit_key(unit: RateUnit) -> &'static str {
    match unit {
        RateUnit::DoubleFlops => "double-flops",
        RateUnit::SingleFlops => "single-flops",
        RateUnit::IntegerOperations => "integer-operations",
        RateUnit::Divisions => "divisions",
        RateUnit::HashBlocks => "hash-blocks",
        RateUnit::Bytes => "bytes",
        RateUnit::Exchanges => "line-exchanges",
        RateUnit::Passes => "passes",
    }
}
