//! Records and verdicts as text and JSON.
