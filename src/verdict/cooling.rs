//! Heat against the air: thermal resistance, and what is left on a hot day.
//!
//! In equilibrium the rise over the air is power times resistance, so a hotter day lifts every
//! temperature by as much as the air is hotter. That leakage grows with temperature makes it a little
//! worse than this; nobody knows the figure for a given part, so none is invented.

use crate::model::{
    Channel, Cooling, HottestDay, PackagePower, Plateau, Quantity, Record, Role, Sample,
};

use super::statistics::{mean, median};

/// What the temperature came to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Level {
    /// Level of the plateau, degrees Celsius; none without one.
    pub(super) settled_c: Option<f64>,
    /// Whether it levelled off.
    pub(super) plateau: Plateau,
    /// Limit minus the higher of peak and level.
    pub(super) headroom_c: f64,
}

/// Heat against the air in `samples`, those by which the level was judged; none where nobody knows the
/// air's temperature.
pub(super) fn summarise(record: &Record, level: Level, samples: &[&Sample]) -> Option<Cooling> {
    let declared = record.header.declared.ambient_c;
    let (air_c, air_sensor) = match declared {
        Some(celsius) => (celsius, None),
        None => measured_air(record, samples).map(|(celsius, label)| (celsius, Some(label)))?,
    };
    let power = package_power(record, samples);
    let flat = matches!(level.plateau, Plateau::Reached | Plateau::Settled);
    let rise = level.settled_c.filter(|_| flat).map(|end| end - air_c);
    let resistance = rise.zip(power.as_ref());
    let resistance = resistance.map(|(rise, power)| rise / power.watts);
    let hottest = record.header.declared.hottest_day_c;
    let hottest = hottest.or(record.header.plan.heat.hottest_day_c);
    Some(Cooling {
        air_c,
        air_sensor,
        power,
        resistance_k_per_w: resistance.filter(|known| known.is_finite() && *known > 0.0),
        hottest_day: hottest.map(|hot_c| HottestDay {
            air_c: hot_c,
            headroom_c: level.headroom_c - (hot_c - air_c),
        }),
    })
}

/// The coolest thermometer of the air, which is nearest to what goes in.
fn measured_air(record: &Record, samples: &[&Sample]) -> Option<(f64, String)> {
    let channels = record.header.channels.iter();
    let of_air = channels.filter(|channel| {
        channel.quantity == Quantity::Temperature && channel.role == Role::Ambient
    });
    let level = |channel: &Channel| {
        let values = samples
            .iter()
            .filter_map(|sample| sample.reading(channel.id));
        Some((
            median(&values.collect::<Vec<f64>>())?,
            channel.label.clone(),
        ))
    };
    of_air
        .filter_map(level)
        .min_by(|one, other| one.0.total_cmp(&other.0))
}

/// The power of the package. Two meters of one label tell of the same package; of several packages
/// nobody knows which one the thermometer belongs to, so there is none.
fn package_power(record: &Record, samples: &[&Sample]) -> Option<PackagePower> {
    let channels = record.header.channels.iter();
    let mut meters = channels
        .filter(|channel| channel.quantity == Quantity::Power && channel.role == Role::Package);
    let meter = meters.next()?;
    if meters.any(|other| other.label != meter.label) {
        return None;
    }
    let values = samples.iter().filter_map(|sample| sample.reading(meter.id));
    let watts = mean(&values.collect::<Vec<f64>>()).filter(|watts| *watts > 0.0)?;
    Some(PackagePower {
        watts,
        source: format!("{} ({})", meter.label, meter.source),
    })
}
