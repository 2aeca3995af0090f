//! Integration tests, one module an area; one binary, so that linking stays cheap.

mod compute_kernels;
mod configuration;
mod grading;
mod ledger;
mod machines;
mod march_coverage;
mod memory_vectors;
mod memory_walks;
mod notices;
mod program;
mod records;
mod reports;
mod service;
mod suites;
mod vector_kernels;
