//! Fits kept from one run of the tests to the next (`.ci/outside/mutants`): nearly all the time that the grading's tests
//! take goes into fitting the same courses again, also where the defect is nowhere near.

use std::fmt::Debug;
use std::hash::{DefaultHasher, Hasher};
use std::path::PathBuf;

use super::thermal::{self, Fit, Model};

pub(super) fn fit_one(model: Model, t: &[f64], y: &[f64]) -> Option<Fit> {
    kept("one", model, (t, y), || thermal::fit_one(model, t, y))
}

pub(super) fn fit_two(model: Model, t: &[f64], y: &[f64]) -> Option<Fit> {
    kept("two", model, (t, y), || thermal::fit_two(model, t, y))
}

/// From the folder `FITS`, if there is one; else made, and kept there.
fn kept(
    name: &str,
    model: impl Debug,
    (t, y): (&[f64], &[f64]),
    make: impl FnOnce() -> Option<Fit>,
) -> Option<Fit> {
    let Some(folder) = std::env::var_os("FITS").map(PathBuf::from) else {
        return make();
    };
    let mut key = DefaultHasher::new();
    key.write(format!("{name} {model:?} {}", t.len()).as_bytes());
    t.iter()
        .chain(y)
        .for_each(|value| key.write_u64(value.to_bits()));
    let path = folder.join(format!("{:016x}", key.finish()));
    let known = std::fs::read_to_string(&path).ok();
    let bits = known.as_deref().map(|text| {
        text.lines()
            .map(|line| f64::from_bits(line.parse().unwrap()))
    });
    if let Some(values) = bits {
        let values: Vec<f64> = values.collect();
        let [offset, residual, terms @ ..] = &values[..] else {
            return None;
        };
        return Some(Fit {
            offset: *offset,
            residual: *residual,
            terms: terms.chunks(2).map(|term| (term[0], term[1])).collect(),
        });
    }
    let fit = make();
    let values = fit.iter().flat_map(|fit| {
        let terms = fit.terms.iter().flat_map(|term| [term.0, term.1]);
        [fit.offset, fit.residual].into_iter().chain(terms)
    });
    let text: String = values
        .map(|value| format!("{}\n", value.to_bits()))
        .collect();
    let mine = path.with_extension(format!("{:?}", std::thread::current().id()));
    std::fs::write(&mine, text).unwrap();
    std::fs::rename(mine, path).unwrap();
    fit
}
