//! What is usual for a kind of setting where the person says nothing: steps, margin, direction, and the
//! range in which a value is believed at all. Common practice throughout; no value here is called safe.

use std::ops::RangeInclusive;

use crate::model::{Amount, Harder, SettingKind};

/// Habits of the trade for one kind.
#[derive(Debug, Clone)]
pub(super) struct Usual {
    pub(super) step: Amount,
    pub(super) coarse: Amount,
    pub(super) margin: Amount,
    pub(super) harder: Option<Harder>,
    /// In the kind's unit; outside it a value is a slip of the pen, a wrong unit mostly.
    pub(super) believed: RangeInclusive<f64>,
    /// The larger unit that people give the same thing in, a thousand times the kind's own.
    pub(super) larger_unit: Option<&'static str>,
}

/// Fine step 5 mV, coarse step 10 mV, clocks in multiples of 100 MHz: common practice.
pub(super) fn usual(kind: SettingKind) -> Usual {
    let whole = Amount::whole;
    let clock = || Usual {
        step: whole(100),
        coarse: whole(100),
        margin: whole(0),
        harder: Some(Harder::Up),
        believed: 100.0..=10_000.0,
        larger_unit: Some("GHz"),
    };
    let voltage = || Usual {
        step: whole(5),
        coarse: whole(10),
        margin: whole(10),
        harder: Some(Harder::Down),
        // Offsets too, hence the negative end.
        believed: -500.0..=2_500.0,
        larger_unit: Some("V"),
    };
    let counted = |harder, most| Usual {
        step: whole(1),
        coarse: whole(1),
        margin: whole(0),
        harder,
        believed: 0.0..=most,
        larger_unit: None,
    };
    match kind {
        SettingKind::CoreClock | SettingKind::CacheClock => clock(),
        SettingKind::CoreVoltage
        | SettingKind::MemoryVoltage
        | SettingKind::MemoryControllerVoltage
        | SettingKind::SystemAgentVoltage => voltage(),
        SettingKind::MemoryRate => Usual {
            step: whole(200),
            coarse: whole(400),
            margin: whole(0),
            harder: Some(Harder::Up),
            believed: 200.0..=20_000.0,
            larger_unit: Some("GT/s"),
        },
        SettingKind::WideVectorOffset => counted(Some(Harder::Down), 40.0),
        // Boards number their levels in either direction.
        SettingKind::LoadLineLevel => counted(None, 20.0),
        SettingKind::FanCurve => counted(None, 1_000.0),
        SettingKind::PowerLimit => Usual {
            step: whole(1),
            coarse: whole(10),
            margin: whole(0),
            harder: Some(Harder::Up),
            believed: 1.0..=2_000.0,
            larger_unit: Some("kW"),
        },
        SettingKind::Other => Usual {
            step: whole(1),
            coarse: whole(1),
            margin: whole(0),
            harder: None,
            believed: -1e9..=1e9,
            larger_unit: None,
        },
    }
}

/// True for a voltage that was meant in volts: between 0.3 and 3 mV no part of a machine is supplied.
pub(super) fn looks_like_volts(kind: SettingKind, value: Amount) -> bool {
    let voltage = kind.unit() == Some("mV");
    voltage && (0.3..=3.0).contains(&value.as_f64())
}
