//! Suites: TOML as written, checked whole, resolved for a machine; the built-in ones are embedded.
