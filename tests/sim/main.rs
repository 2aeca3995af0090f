//! Seeded simulation of the orchestrator.
