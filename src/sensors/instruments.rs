//! All channels of a machine, read together.
//!
//! Opening never fails; what is missing or forbidden is a [`Gap`], and a channel
//! that gives nothing is a [`Loss`], never a zero.

use std::collections::{BTreeMap, BTreeSet};

use serde::Deserialize;

use super::hardware::HardwareWatch;
use super::pressure::{MemoryPressure, MemoryPressureFile};
use super::probe::Probe;
use super::roles::RoleOverride;
use super::topology::Topology;
use super::{cpufreq, edac, hwmon, machinecheck, powercap, thermal, throttle};
use crate::model::{
    Channel, ChannelId, FindingKind, Gap, GapKind, Loss, Moment, Quantity, Reading, Role,
};
use crate::os::Root;

/// Most channels of one machine; the rest are named as a gap.
pub const MAX_CHANNELS: usize = 1024;
/// Most descriptors kept open; files beyond are opened for each reading.
pub const MAX_KEPT_DESCRIPTORS: usize = 256;
/// Most gaps held.
const MAX_GAPS: usize = 64;

/// What a person may say about the instruments.
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct InstrumentOptions {
    /// Roles and labels; where several match, the last one holds.
    pub roles: Vec<RoleOverride>,
}

/// The instruments of one machine.
#[derive(Debug)]
pub struct Instruments {
    root: Root,
    probes: Vec<Probe>,
    channels: Vec<Channel>,
    gaps: Vec<Gap>,
    watch: HardwareWatch,
    pressure: MemoryPressureFile,
}

impl Instruments {
    /// Finds and opens everything that can be read, and takes the baselines of all counters.
    pub fn open(root: &Root, options: &InstrumentOptions, at: Moment) -> Self {
        let topology = Topology::read(root);
        let mut probes = find_probes(root, &topology);
        for probe in &mut probes {
            for one in &options.roles {
                one.apply(probe);
            }
        }
        let mut gaps = Vec::new();
        if probes.len() > MAX_CHANNELS {
            gaps.push(Gap {
                kind: GapKind::Environment,
                about: format!(
                    "{} channels were found, only {MAX_CHANNELS} are read",
                    probes.len()
                ),
                remedy: String::new(),
            });
            probes.truncate(MAX_CHANNELS);
        }
        make_labels_distinct(&mut probes);
        for (number, probe) in probes.iter_mut().enumerate() {
            probe.channel.id = ChannelId(u16::try_from(number).unwrap_or(u16::MAX));
        }
        let mut left = MAX_KEPT_DESCRIPTORS;
        probes.iter_mut().for_each(|probe| probe.keep(&mut left));
        let forbidden = read_once(root, &mut probes, at);
        let channels: Vec<Channel> = probes.iter().map(|probe| probe.channel.clone()).collect();
        gaps.extend(find_gaps(&channels, &forbidden));
        let (mut watch, watch_gaps) = HardwareWatch::open(root, &channels);
        watch.keep(&mut left);
        let mut pressure = MemoryPressureFile::new();
        pressure.keep(&mut left);
        gaps.extend(watch_gaps);
        gaps.extend(machinecheck::find_gaps(root));
        Self {
            root: root.clone(),
            probes,
            channels,
            gaps,
            watch,
            pressure,
        }
    }

    /// What can be read, in the order of their ids.
    pub fn channels(&self) -> &[Channel] {
        &self.channels
    }

    /// What is missing or forbidden, each source once.
    pub fn gaps(&self) -> &[Gap] {
        &self.gaps
    }

    /// Reads every channel that is due. A slow channel between its polls and an energy counter
    /// without elapsed time are in neither list.
    pub fn read(&mut self, at: Moment) -> (Vec<Reading>, Vec<(ChannelId, Loss)>) {
        let mut readings = Vec::with_capacity(self.probes.len());
        let mut lost = Vec::new();
        for probe in &mut self.probes {
            let channel = probe.channel.id;
            match probe.read(&self.root, at) {
                Some(Ok(value)) => readings.push(Reading { channel, value }),
                Some(Err(loss)) => lost.push((channel, loss)),
                None => {}
            }
        }
        (readings, lost)
    }

    /// How much programs wait for memory; none where the kernel does not keep it.
    pub fn read_memory_pressure(&mut self) -> Option<MemoryPressure> {
        self.pressure.read(&self.root)
    }

    /// Hardware errors and throttling that came since the last call (or since opening).
    pub fn read_hardware(&mut self) -> Vec<FindingKind> {
        let (findings, gap) = self.watch.read(&self.root);
        if self.gaps.len() < MAX_GAPS {
            self.gaps.extend(gap);
        }
        findings
    }
}

/// The most needed first, so that a limit cuts off the least needed.
fn find_probes(root: &Root, topology: &Topology) -> Vec<Probe> {
    let mut probes = hwmon::find(root, topology);
    let zones = thermal::find(root, &probes);
    probes.extend(zones);
    probes.extend(powercap::find(root));
    probes.extend(edac::find(root));
    probes.extend(throttle::find(root, topology));
    probes.extend(cpufreq::find(root, topology));
    probes
}

/// First reading: energy counters get their start, and what is forbidden shows. Slow channels
/// are left for the first sample.
fn read_once(root: &Root, probes: &mut [Probe], at: Moment) -> BTreeSet<ChannelId> {
    probes
        .iter_mut()
        .filter(|probe| !probe.channel.slow)
        .filter_map(|probe| {
            let outcome = probe.read(root, at);
            (outcome == Some(Err(Loss::Forbidden))).then_some(probe.channel.id)
        })
        .collect()
}

/// Channels of one chip and quantity with the same label get their item's name behind it where
/// the items differ, and a number where they are the same, too.
fn make_labels_distinct(probes: &mut [Probe]) {
    let mut items: BTreeMap<LabelKey, BTreeSet<String>> = BTreeMap::new();
    for probe in probes.iter() {
        items
            .entry(label_key(probe))
            .or_default()
            .insert(probe.item.clone());
    }
    for probe in probes.iter_mut() {
        if items
            .get(&label_key(probe))
            .is_some_and(|items| items.len() > 1)
        {
            probe.channel.label = format!("{} ({})", probe.channel.label, probe.item);
        }
    }
    let mut counts: BTreeMap<LabelKey, usize> = BTreeMap::new();
    for probe in probes.iter() {
        *counts.entry(label_key(probe)).or_default() += 1;
    }
    let mut numbers: BTreeMap<LabelKey, usize> = BTreeMap::new();
    for probe in probes.iter_mut() {
        let key = label_key(probe);
        if counts.get(&key).is_some_and(|count| *count > 1) {
            let number = numbers.entry(key).or_default();
            *number += 1;
            probe.channel.label = format!("{} #{number}", probe.channel.label);
        }
    }
}

/// Quantity, chip and label.
type LabelKey = (Quantity, String, String);

fn label_key(probe: &Probe) -> LabelKey {
    let channel = &probe.channel;
    (
        channel.quantity,
        channel.chip.clone(),
        channel.label.clone(),
    )
}

fn find_gaps(channels: &[Channel], forbidden: &BTreeSet<ChannelId>) -> Vec<Gap> {
    let mut gaps = Vec::new();
    let mut add = |kind, about: &str, remedy: &str| {
        gaps.push(Gap {
            kind,
            about: about.to_owned(),
            remedy: remedy.to_owned(),
        });
    };
    let any = |wanted: &dyn Fn(&Channel) -> bool| channels.iter().any(wanted);
    let readable = |channel: &Channel| !forbidden.contains(&channel.id);
    let is_processor = |channel: &Channel| channel.is_processor_thermometer() && !channel.slow;
    if !any(&|channel| is_processor(channel) && readable(channel)) {
        add(
            GapKind::NoProcessorTemperature,
            "no temperature of the processor can be read",
            "load the chip's driver (`modprobe coretemp` for Intel, `modprobe k10temp` for AMD \
             processors); a virtual machine has none",
        );
    }
    if channels
        .iter()
        .any(|c| c.quantity == Quantity::Power && !readable(c))
    {
        add(
            GapKind::NoRights,
            "the processor's energy counters may not be read: no power figure",
            "run as root, or grant read access to /sys/class/powercap/*/energy_uj",
        );
    }
    if channels
        .iter()
        .any(|c| c.quantity != Quantity::Power && !readable(c))
    {
        add(
            GapKind::NoRights,
            "some sensors may not be read",
            "run as root, or grant read access to the sensors' files under /sys",
        );
    }
    let drivers = "load the driver of the board's monitoring chip where it has one";
    if !any(&|c| c.role == Role::CoreVoltage) {
        add(GapKind::NoSource, "no core voltage sensor", drivers);
    }
    if !any(&|c| c.quantity == Quantity::Fan) {
        add(GapKind::NoSource, "no fan sensor", drivers);
    }
    if !any(&|c| c.quantity == Quantity::Power) {
        add(GapKind::NoSource, "no power sensor", "");
    }
    gaps
}

#[cfg(test)]
mod tests {
    use super::*;

    fn channel(id: u16, quantity: Quantity) -> Channel {
        let mut probe = Probe::new(quantity, String::new(), 1.0).named("chip", "x1", None);
        probe.channel.id = ChannelId(id);
        probe.channel
    }

    /// Linux 6.12 powercap_sys.c: `energy_uj` is mode 0400.
    #[test]
    fn forbidden_energy_is_a_gap_with_a_remedy_and_not_a_missing_source() {
        let channels = [channel(0, Quantity::Power), channel(1, Quantity::Power)];
        let forbidden = channels.iter().map(|c| c.id).collect();
        let gaps = find_gaps(&channels, &forbidden);
        let rights: Vec<&Gap> = gaps
            .iter()
            .filter(|g| g.kind == GapKind::NoRights)
            .collect();
        assert_eq!(rights.len(), 1, "once, not once a zone");
        assert!(rights[0].remedy.contains("energy_uj"));
        assert!(!gaps.iter().any(|g| g.about.contains("no power sensor")));
    }

    #[test]
    fn a_processor_temperature_that_may_not_be_read_is_none() {
        let mut hot = channel(0, Quantity::Temperature);
        hot.role = Role::Package;
        let is_blind = |forbidden: BTreeSet<ChannelId>| {
            find_gaps(std::slice::from_ref(&hot), &forbidden)
                .iter()
                .any(|gap| gap.kind == GapKind::NoProcessorTemperature)
        };
        assert!(!is_blind(BTreeSet::new()));
        assert!(is_blind(BTreeSet::from([hot.id])));
    }
}
