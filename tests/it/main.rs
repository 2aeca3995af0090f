//! Integration tests, one module an area; one binary, so that linking stays cheap.

mod compute_kernels;
mod grading;
mod kills;
mod machines;
mod march_coverage;
mod memory_vectors;
mod memory_walks;
mod program;
mod records;
mod recovery;
mod reports;
mod service;
mod suites;
mod trouble;
mod vector_kernels;
