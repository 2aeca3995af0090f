//! Monotonic and wall time are different types, so neither can be mistaken for the other.

use std::time::Duration;

use serde::{Deserialize, Serialize};

/// Nanoseconds of a monotonic clock (`CLOCK_MONOTONIC` on a real machine); only differences mean
/// anything.
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    Default,
    Serialize,
    Deserialize,
    utoipa::ToSchema,
)]
pub struct Mono(pub u64);

impl Mono {
    /// Time passed since `earlier`; zero when `earlier` is later.
    pub fn since(self, earlier: Self) -> Duration {
        Duration::from_nanos(self.0.saturating_sub(earlier.0))
    }

    /// This instant plus `span`, saturating.
    #[must_use]
    pub fn plus(self, span: Duration) -> Self {
        Self(
            self.0
                .saturating_add(u64::try_from(span.as_nanos()).unwrap_or(u64::MAX)),
        )
    }

    /// Seconds since `earlier`.
    pub fn seconds_since(self, earlier: Self) -> f64 {
        self.since(earlier).as_secs_f64()
    }
}

/// Milliseconds since 1970-01-01T00:00:00Z. For people; never for durations.
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    Default,
    Serialize,
    Deserialize,
    utoipa::ToSchema,
)]
pub struct Wall(pub i64);

impl Wall {
    /// This time plus `span`, saturating.
    #[must_use]
    pub fn plus(self, span: Duration) -> Self {
        Self(self.0.saturating_add(milliseconds(span)))
    }

    /// This time minus `span`, saturating.
    #[must_use]
    pub fn minus(self, span: Duration) -> Self {
        Self(self.0.saturating_sub(milliseconds(span)))
    }
}

fn milliseconds(span: Duration) -> i64 {
    i64::try_from(span.as_millis()).unwrap_or(i64::MAX)
}

/// One instant on both clocks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, utoipa::ToSchema)]
pub struct Moment {
    /// For durations and order.
    pub mono: Mono,
    /// For people.
    pub wall: Wall,
}
