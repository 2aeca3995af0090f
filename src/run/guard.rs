//! The part that stops the load at once when the machine is too hot or blind. Pure: it judges each
//! round of readings and says what to do; the core does it before anything else.

use std::collections::BTreeMap;
use std::time::Duration;

use crate::model::{
    Channel, ChannelId, Gap, GapKind, HeatLimits, Loss, Mono, Quantity, Reading, Role,
};

/// A jump between two samples that no processor can make, in degrees Celsius.
const IMPOSSIBLE_JUMP_C: f64 = 60.0;
/// A chip whose critical value lies outside of this, in degrees Celsius, names none: drivers hand
/// through 0, 127 or 255 where the register was never set, and no reading over 125 counts.
const CREDIBLE_CRITICAL_C: std::ops::RangeInclusive<f64> = 40.0..=125.0;
/// A thermometer that does not move for this long across an idle-to-load step is frozen.
const FROZEN_AFTER: Duration = Duration::from_secs(60);
/// A fan or pump that had turned and reads 0 for this long under load stands still.
const STANDSTILL: Duration = Duration::from_secs(5);
/// Samples in a row without a thermometer that had been readable.
const LOST_ROUNDS: u32 = 3;

/// What the guard says to a round of readings.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Word {
    /// Go on.
    Fine,
    /// Over the ceiling once: look again at once.
    LookAgain,
    /// Over the ceiling twice: stop.
    OverHot {
        /// Label of the channel.
        label: String,
        /// Its reading.
        reading_c: f64,
        /// Its ceiling.
        ceiling_c: f64,
    },
    /// Not to be trusted any more: stop.
    Blind(Gap),
}

/// Memory of earlier rounds.
#[derive(Debug)]
pub(crate) struct Guard {
    channels: Vec<Channel>,
    heat: HeatLimits,
    over_once: bool,
    missed: BTreeMap<ChannelId, u32>,
    last: BTreeMap<ChannelId, f64>,
    still_since: BTreeMap<ChannelId, (Mono, f64)>,
    turned: BTreeMap<ChannelId, Option<Mono>>,
}

impl Guard {
    pub(crate) fn new(channels: Vec<Channel>, heat: HeatLimits) -> Self {
        Self {
            channels,
            heat,
            over_once: false,
            missed: BTreeMap::new(),
            last: BTreeMap::new(),
            still_since: BTreeMap::new(),
            turned: BTreeMap::new(),
        }
    }

    /// Ceiling at which load is stopped for this channel, in degrees Celsius.
    pub(super) fn ceiling(&self, channel: &Channel) -> Option<f64> {
        if channel.quantity != Quantity::Temperature {
            return None;
        }
        let critical = channel
            .critical
            .filter(|critical| CREDIBLE_CRITICAL_C.contains(critical));
        let below = |critical: f64| critical - self.heat.below_critical_c;
        match channel.role {
            Role::Package | Role::Core | Role::Die => Some(
                self.heat
                    .maker_c
                    .or(critical.map(below))
                    .unwrap_or(self.heat.fallback_c),
            ),
            Role::MemoryModule => Some(self.heat.memory_module_c),
            Role::Regulator | Role::Drive => critical,
            Role::CoreVoltage
            | Role::Ambient
            | Role::Board
            | Role::Fan
            | Role::Pump
            | Role::Unknown => None,
        }
    }

    /// Judges one round. `load_since` is when the present load began, none while idle.
    pub(crate) fn judge(
        &mut self,
        now: Mono,
        (readings, lost): (&[Reading], &[(ChannelId, Loss)]),
        load_since: Option<Mono>,
    ) -> Word {
        let hottest = self.over_ceiling(readings);
        let blind = self.missing(readings, lost);
        let jumped = self.jumped(readings);
        let frozen = self.frozen(now, readings, load_since);
        for reading in readings {
            self.last.insert(reading.channel, reading.value);
        }
        let over_before = std::mem::replace(&mut self.over_once, hottest.is_some());
        // A sensor that jumps is no witness of heat, so this comes before the ceiling.
        if let Some(gap) = jumped {
            return Word::Blind(gap);
        }
        match (hottest, blind.or(frozen)) {
            (Some((label, reading_c, ceiling_c)), _) if over_before => Word::OverHot {
                label,
                reading_c,
                ceiling_c,
            },
            (_, Some(gap)) => Word::Blind(gap),
            (Some(_), None) => Word::LookAgain,
            (None, None) => Word::Fine,
        }
    }

    /// True unless the last round was over a ceiling.
    pub(super) fn is_calm(&self) -> bool {
        !self.over_once
    }

    fn value(readings: &[Reading], channel: ChannelId) -> Option<f64> {
        readings
            .iter()
            .find(|reading| reading.channel == channel)
            .map(|reading| reading.value)
    }

    fn over_ceiling(&self, readings: &[Reading]) -> Option<(String, f64, f64)> {
        let over = self
            .channels
            .iter()
            .filter(|channel| !channel.slow)
            .filter_map(|channel| {
                let ceiling = self.ceiling(channel)?;
                let reading = Self::value(readings, channel.id)?;
                (reading >= ceiling).then(|| (channel.label.clone(), reading, ceiling))
            });
        over.max_by(|(_, one, _), (_, other, _)| one.total_cmp(other))
    }

    /// The processor thermometers that the guard trusts. Slow ones are in few rounds only, so they can
    /// neither be missed nor be seen to stand still.
    fn thermometers(&self) -> impl Iterator<Item = &Channel> {
        self.channels
            .iter()
            .filter(|channel| channel.is_processor_thermometer() && !channel.slow)
    }

    fn missing(&mut self, readings: &[Reading], lost: &[(ChannelId, Loss)]) -> Option<Gap> {
        let ids: Vec<(ChannelId, String)> = self
            .thermometers()
            .map(|channel| (channel.id, channel.label.clone()))
            .collect();
        let mut gone = None;
        // One round without any is blind; at the end of their scale they get the usual three.
        let mut any = ids.is_empty();
        for (id, label) in ids {
            if Self::value(readings, id).is_some() {
                self.missed.insert(id, 0);
                any = true;
                continue;
            }
            let Some(missed) = self.missed.get_mut(&id) else {
                continue;
            };
            *missed += 1;
            let why = lost
                .iter()
                .find(|(channel, _)| *channel == id)
                .map(|(_, loss)| *loss);
            any |= why == Some(Loss::Clipped);
            if *missed >= LOST_ROUNDS {
                gone = Some((label, why));
            }
        }
        let all_gone = !any && !self.missed.is_empty();
        let (label, why) = match (gone, all_gone) {
            (Some(gone), _) => gone,
            (None, true) => ("every processor thermometer".to_owned(), None),
            (None, false) => return None,
        };
        let why = why.map(|loss| format!(" ({loss:?})")).unwrap_or_default();
        Some(Gap {
            kind: GapKind::SensorLost,
            about: format!("{label} could be read and no longer can{why}"),
            remedy: "look into the kernel log for its driver; run again when it can be read"
                .to_owned(),
        })
    }

    fn jumped(&self, readings: &[Reading]) -> Option<Gap> {
        self.thermometers().find_map(|channel| {
            let now = Self::value(readings, channel.id)?;
            let before = *self.last.get(&channel.id)?;
            ((now - before).abs() > IMPOSSIBLE_JUMP_C).then(|| Gap {
                kind: GapKind::SensorImplausible,
                about: format!(
                    "{} jumped from {before:.0} to {now:.0} C between two samples",
                    channel.label
                ),
                remedy: "that sensor cannot be trusted; override its role or use another one"
                    .to_owned(),
            })
        })
    }

    fn frozen(&mut self, now: Mono, readings: &[Reading], load_since: Option<Mono>) -> Option<Gap> {
        let ids: Vec<(ChannelId, String)> = self
            .thermometers()
            .map(|channel| (channel.id, channel.label.clone()))
            .collect();
        let mut all_frozen = true;
        let mut named = String::new();
        for (id, label) in ids {
            let Some(value) = Self::value(readings, id) else {
                continue;
            };
            let still = self.still_since.entry(id).or_insert((now, value));
            #[expect(clippy::float_cmp, reason = "a frozen reading is the same to the bit")]
            let moved = still.1 != value;
            if moved {
                *still = (now, value);
            }
            let (since, _) = *still;
            // It stood still before the load began, and a minute of load did not move it.
            let frozen =
                load_since.is_some_and(|load| since < load && now.since(load) >= FROZEN_AFTER);
            all_frozen &= frozen;
            named = label;
        }
        (all_frozen && !named.is_empty()).then(|| Gap {
            kind: GapKind::SensorFrozen,
            about: format!("{named} did not move in a minute although load began"),
            remedy: "the reading is not live; check the sensor's driver".to_owned(),
        })
    }

    /// A fan or pump that had turned and stands still under load; each named once.
    pub(super) fn standstill(
        &mut self,
        now: Mono,
        readings: &[Reading],
        under_load: bool,
    ) -> Option<String> {
        for channel in &self.channels {
            if channel.quantity != Quantity::Fan {
                continue;
            }
            let Some(value) = Self::value(readings, channel.id) else {
                continue;
            };
            // The seconds count under load only: some fans rest while the machine does.
            if value > 0.0 || (!under_load && self.turned.contains_key(&channel.id)) {
                self.turned.insert(channel.id, None);
            } else if let Some(zero_since) = self.turned.get_mut(&channel.id) {
                let since = *zero_since.get_or_insert(now);
                if now.since(since) >= STANDSTILL {
                    self.turned.remove(&channel.id);
                    return Some(channel.label.clone());
                }
            }
        }
        None
    }
}
