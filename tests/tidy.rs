//! House rules, held by reading the sources.
