//! The march tests of the literature, as data. Notations: van de Goor, *Testing Semiconductor
//! Memories* (1991) and the papers named in the comments; MATS+, MATS++, A, B, C- and AB were read
//! in published tables, the others are from memory, and `tests/it/march_coverage.rs` holds each
//! against the set of faults that it must find.

use super::notation::{March, parse_march};

/// A march test with its name in the literature.
#[derive(Debug, Clone, Copy)]
pub struct NamedMarch {
    /// Name.
    pub name: &'static str,
    /// The test.
    pub march: March,
}

const fn named(name: &'static str, notation: &str) -> NamedMarch {
    match parse_march(notation) {
        Ok(march) => NamedMarch { name, march },
        Err(_) => panic!("a built-in march test is misspelt"),
    }
}

/// 10 operations a cell: address, stuck-at, transition and unlinked coupling faults.
pub const MARCH_C_MINUS: NamedMarch = named(
    "March C-",
    "a(w0);u(r0,w1);u(r1,w0);d(r0,w1);d(r1,w0);a(r0)",
);

/// 14 operations a cell: also realistic linked faults (van de Goor, Gaydadjiev et al. 1996).
pub const MARCH_LR: NamedMarch = named(
    "March LR",
    "a(w0);d(r0,w1);u(r1,w0,r0,w1);u(r1,w0);u(r0,w1,r1,w0);u(r0)",
);

/// 22 operations a cell: all simple static faults (Hamdioui, van de Goor, Rodgers 2002).
pub const MARCH_SS: NamedMarch = named(
    "March SS",
    "a(w0);u(r0,r0,w0,r0,w1);u(r1,r1,w1,r1,w0);d(r0,r0,w0,r0,w1);d(r1,r1,w1,r1,w0);a(r0)",
);

/// All of them, shortest families first.
pub static CLASSICS: &[NamedMarch] = &[
    named("MATS", "a(w0);a(r0,w1);a(r1)"),
    named("MATS+", "a(w0);u(r0,w1);d(r1,w0)"),
    named("MATS++", "a(w0);u(r0,w1);d(r1,w0,r0)"),
    named("March X", "a(w0);u(r0,w1);d(r1,w0);a(r0)"),
    named("March Y", "a(w0);u(r0,w1,r1);d(r1,w0,r0);a(r0)"),
    named(
        "March C",
        "a(w0);u(r0,w1);u(r1,w0);a(r0);d(r0,w1);d(r1,w0);a(r0)",
    ),
    MARCH_C_MINUS,
    named(
        "March A",
        "a(w0);u(r0,w1,w0,w1);u(r1,w0,w1);d(r1,w0,w1,w0);d(r0,w1,w0)",
    ),
    named(
        "March B",
        "a(w0);u(r0,w1,r1,w0,r0,w1);u(r1,w0,w1);d(r1,w0,w1,w0);d(r0,w1,w0)",
    ),
    named(
        "PMOVI",
        "d(w0);u(r0,w1,r1);u(r1,w0,r0);d(r0,w1,r1);d(r1,w0,r0)",
    ),
    named(
        "March U",
        "a(w0);u(r0,w1,r1,w0);u(r0,w1);d(r1,w0,r0,w1);d(r1,w0)",
    ),
    MARCH_LR,
    named(
        "March LA",
        "a(w0);u(r0,w1,w0,w1,r1);u(r1,w0,w1,w0,r0);d(r0,w1,w0,w1,r1);d(r1,w0,w1,w0,r0);d(r0)",
    ),
    named(
        "March SR",
        "d(w0);u(r0,w1,r1,w0);u(r0,r0);u(w1);d(r1,w0,r0,w1);d(r1,r1)",
    ),
    named(
        "March MSS",
        "a(w0);u(r0,r0,w1,w1);u(r1,r1,w0,w0);d(r0,r0,w1,w1);d(r1,r1,w0,w0);a(r0)",
    ),
    MARCH_SS,
    named(
        "March RAW",
        "a(w0);u(r0,w0,r0,r0,w1,r1);u(r1,w1,r1,r1,w0,r0);d(r0,w0,r0,r0,w1,r1);\
         d(r1,w1,r1,r1,w0,r0);a(r0)",
    ),
    named(
        "March RAW1",
        "a(w0);a(w0,r0);a(r0);a(w1,r1);a(r1);a(w1,r1);a(r1);a(w0,r0);a(r0)",
    ),
    named(
        "March AB",
        "a(w1);d(r1,w0,r0,w0,r0);d(r0,w1,r1,w1,r1);u(r1,w0,r0,w0,r0);u(r0,w1,r1,w1,r1);a(r1)",
    ),
    named(
        "March SL",
        "a(w0);u(r0,r0,w1,w1,r1,r1,w0,w0,r0,w1);u(r1,r1,w0,w0,r0,r0,w1,w1,r1,w0);\
         d(r0,r0,w1,w1,r1,r1,w0,w0,r0,w1);d(r1,r1,w0,w0,r0,r0,w1,w1,r1,w0)",
    ),
    named(
        "March G",
        "a(w0);u(r0,w1,r1,w0,r0,w1);u(r1,w0,w1);d(r1,w0,w1,w0);d(r0,w1,w0);\
         Del;a(r0,w1,r1);Del;a(r1,w0,r0)",
    ),
    named(
        "IFA-13",
        "a(w0);u(r0,w1,r1);u(r1,w0,r0);d(r0,w1,r1);d(r1,w0,r0);Del;a(r0,w1);Del;a(r1)",
    ),
    named(
        "IFA-9",
        "a(w0);u(r0,w1);u(r1,w0);d(r0,w1);d(r1,w0);Del;a(r0,w1);Del;a(r1)",
    ),
];
