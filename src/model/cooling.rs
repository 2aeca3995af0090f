//! How well the cooling carries heat into the air.

use serde::{Deserialize, Serialize};

/// Heat against the air, where the air's temperature was declared or measured.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct Cooling {
    /// Air temperature in degrees Celsius.
    pub air_c: f64,
    /// Label of the thermometer that measured it; none where a person declared it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub air_sensor: Option<String>,
    /// Package power over the minutes in which the temperature was judged, where it could be read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub power: Option<PackagePower>,
    /// Rise of the level over the air for each watt, K/W; none without power or without a plateau.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub resistance_k_per_w: Option<f64>,
    /// The same machine on the hottest day that the person declared.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hottest_day: Option<HottestDay>,
}

/// Power of the processor package.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct PackagePower {
    /// Mean in watts.
    pub watts: f64,
    /// Label and place of the meter.
    pub source: String,
}

/// Headroom on a hot day, the rise over the air taken to be the same.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, utoipa::ToSchema)]
pub struct HottestDay {
    /// Air temperature in degrees Celsius.
    pub air_c: f64,
    /// Judged limit minus the temperature to be expected, degrees.
    pub headroom_c: f64,
}
