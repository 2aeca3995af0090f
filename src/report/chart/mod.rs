//! Pictures of a run: a record in, SVG out. Pure, and without a script, so that a page, a mail and a
//! screen reader get the same.
//!
//! All charts of a run share one axis of time. Colour only repeats what a dash, a width, a marker or a
//! word says already; colours are variables of the page ([`STYLE`]), so that a dark page needs no other
//! picture. Courses are thinned out so that each stretch keeps its lowest and its highest value
//! ([`Reducer`]): no spike disappears, and a gap stays a gap. Every foreign text is escaped by [`svg`].

mod axis;
mod courses;
mod memory;
mod overlay;
mod panels;
mod plot;
mod reduce;
mod stages;
mod svg;

pub use memory::memory_map;
pub use overlay::overlays;
pub use panels::{Panel, panels};
pub use plot::{Course, Level, Plot, Weight, draw};
pub use reduce::{Point, Reducer};
pub use stages::stage_bar;
pub use svg::as_document;

/// Style sheet of every chart; a page puts it into its own.
pub const STYLE: &str = include_str!("chart.css");
