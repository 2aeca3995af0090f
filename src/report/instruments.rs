//! What can be read on a machine, what it reads now, and what cannot be read.

use serde_json::{Value, json};

use super::json::{INSTRUMENTS_SCHEMA, value};
use super::page::{Flush, Grid, Page, Style};
use super::record::say_machine;
use super::units::figure;
use super::verdict::gap_words;
use crate::model::{Channel, ChannelId, Gap, Loss, Machine, Quantity, Reading, Role};

/// One look at all instruments of a machine.
#[derive(Debug, Clone, Copy)]
pub struct InstrumentsSeen<'a> {
    /// The machine.
    pub machine: &'a Machine,
    /// What can be read.
    pub channels: &'a [Channel],
    /// Valid readings.
    pub readings: &'a [Reading],
    /// Channels that gave none, and why.
    pub lost: &'a [(ChannelId, Loss)],
    /// What cannot be read at all.
    pub gaps: &'a [Gap],
}

impl InstrumentsSeen<'_> {
    fn reading(&self, id: ChannelId) -> Option<f64> {
        let found = self.readings.iter().find(|reading| reading.channel == id);
        found.map(|reading| reading.value)
    }

    fn loss(&self, id: ChannelId) -> Option<Loss> {
        let found = self.lost.iter().find(|(lost, _)| *lost == id);
        found.map(|(_, loss)| *loss)
    }
}

/// Machine, a table of channels with their readings, and gaps with remedies.
pub fn instruments_text(seen: &InstrumentsSeen<'_>, style: Style) -> String {
    let mut page = Page::new(&style);
    say_machine(&mut page, seen.machine);
    page.heading("Instruments");
    if seen.channels.is_empty() {
        page.plain("Nothing can be read.");
    } else {
        page.grid(&channels_grid(seen));
    }
    if !seen.gaps.is_empty() {
        page.heading("Not seen");
    }
    for gap in seen.gaps {
        page.plain(&gap_words(gap));
    }
    page.finish()
}

/// One row a channel.
pub(super) fn channels_grid(seen: &InstrumentsSeen<'_>) -> Grid {
    Grid {
        columns: vec![
            ("no", Flush::Right),
            ("label", Flush::Left),
            ("tells of", Flush::Left),
            ("reads", Flush::Right),
            ("limit", Flush::Right),
            ("critical", Flush::Right),
            ("source", Flush::Left),
        ],
        rows: seen.channels.iter().map(|c| row(seen, c)).collect(),
    }
}

fn row(seen: &InstrumentsSeen<'_>, channel: &Channel) -> Vec<String> {
    let quantity = channel.quantity;
    let reads = match (seen.reading(channel.id), seen.loss(channel.id)) {
        (Some(reading), _) => with_unit(reading, quantity),
        (None, Some(loss)) => loss_words(loss).to_owned(),
        (None, None) => "not read".to_owned(),
    };
    let bound = |value: Option<f64>| value.map_or_else(String::new, |v| with_unit(v, quantity));
    let slow = if channel.slow { " (slow)" } else { "" };
    vec![
        channel.id.0.to_string(),
        channel.label.clone(),
        tells_of(channel),
        reads,
        bound(channel.limit),
        bound(channel.critical),
        format!("{} {}{slow}", channel.chip, channel.source),
    ]
}

fn with_unit(value: f64, quantity: Quantity) -> String {
    let decimals = match quantity {
        Quantity::Temperature | Quantity::Power | Quantity::Voltage => 1,
        Quantity::Current => 2,
        Quantity::Fan
        | Quantity::Clock
        | Quantity::ThrottleEvents
        | Quantity::CorrectedErrors
        | Quantity::UncorrectedErrors => 0,
    };
    let unit = match quantity {
        Quantity::ThrottleEvents => "throttlings",
        Quantity::CorrectedErrors => "corrected",
        Quantity::UncorrectedErrors => "uncorrected",
        Quantity::Temperature
        | Quantity::Voltage
        | Quantity::Fan
        | Quantity::Current
        | Quantity::Power
        | Quantity::Clock => quantity.unit(),
    };
    format!("{} {unit}", figure(value, decimals))
}

fn tells_of(channel: &Channel) -> String {
    let role = match channel.role {
        Role::Package => "processor",
        Role::Core => "core",
        Role::Die => "die",
        Role::MemoryModule => "memory",
        Role::Regulator => "regulator",
        Role::CoreVoltage => "core supply",
        Role::Ambient => "air",
        Role::Board => "board",
        Role::Drive => "drive",
        Role::Fan => "fan",
        Role::Pump => "pump",
        Role::Unknown => "unknown",
    };
    channel
        .core
        .map_or_else(|| role.to_owned(), |core| format!("{role} {core}"))
}

fn loss_words(loss: Loss) -> &'static str {
    match loss {
        Loss::Vanished => "gone",
        Loss::NoData => "no data",
        Loss::Forbidden => "no rights",
        Loss::Faulty => "faulty",
        Loss::Implausible => "implausible",
        Loss::Clipped => "off scale",
    }
}

/// `soakproof.instruments/1`: `machine`, `channels` (each with `unit`, `reading` or null, `loss` or null added to
/// its stored form), `gaps`.
pub fn instruments_json(seen: &InstrumentsSeen<'_>) -> Value {
    let channels: Vec<Value> = seen
        .channels
        .iter()
        .map(|channel| {
            let mut form = value(channel);
            if let Value::Object(map) = &mut form {
                map.insert("unit".to_owned(), channel.quantity.unit().into());
                map.insert("reading".to_owned(), value(&seen.reading(channel.id)));
                map.insert("loss".to_owned(), value(&seen.loss(channel.id)));
            }
            form
        })
        .collect();
    json!({
        "schema": INSTRUMENTS_SCHEMA,
        "machine": value(seen.machine),
        "channels": channels,
        "gaps": value(seen.gaps),
    })
}
