//! Evidence in, grade out. Pure: no I/O, no clock.
