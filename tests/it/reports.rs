//! Tests of this area.
