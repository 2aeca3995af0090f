//! One execution of a suite. [`core`] is a pure state machine (events in, actions out, time an
//! argument); the dispatcher turns the world into its events and carries its actions out.

pub mod core;
