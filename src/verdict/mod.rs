//! Evidence in, grade out. Pure: no I/O, no clock, so a live run, a replayed one and an imported one
//! are graded by the same function, [`judge`]. Every rule that decides is shown with its figure and
//! its threshold. Nothing here ever averages an error away.

pub mod bound;
mod clock;
mod continuation;
mod cooling;
mod diagnosis;
mod effective;
mod exposure;
mod grade;
mod heat;
mod next;
mod rules;
mod silent;
mod standing;
pub mod statistics;
pub mod thermal;
mod voltage;
mod words;

pub use continuation::take_over;
pub use exposure::{Exposures, count_exposure};
pub use grade::judge;
pub use heat::{HeatCourse, heat_course};
