//! Integration tests, one module an area; one binary, so that linking stays cheap.

mod clock_probe;
mod compute_kernels;
mod configuration;
mod fma_kernels;
mod grading;
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
