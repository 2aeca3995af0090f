//! Hostile and huge machines, the person's own word, and this machine.

use soakproof::model::{CpuId, GapKind, Loss, Role};
use soakproof::os::Root;
use soakproof::sensors::{
    InstrumentOptions, Instruments, MAX_CHANNELS, MAX_LABEL_CHARS, RoleOverride, read_machine,
};

use super::{Copied, at, channel, folder, has_gap, instruments, machine, open, outcome};

#[test]
fn a_hostile_machine_gives_gaps_and_losses_and_clean_texts() {
    let mut hostile = instruments("hostile");
    for channel in hostile.channels() {
        let texts = [&channel.chip, &channel.label];
        assert!(
            texts.iter().all(|t| !t.chars().any(char::is_control)),
            "{channel:?}"
        );
        assert!(
            channel.label.chars().count() <= MAX_LABEL_CHARS + 16,
            "{channel:?}"
        );
        assert_eq!(channel.core, None);
    }
    let (readings, lost) = hostile.read(at(1000));
    let values: Vec<f64> = readings.iter().map(|r| r.value).collect();
    assert_eq!(values, [50.0], "the one sound file");
    assert!(lost.len() >= 8, "{lost:?}");
    let machine = machine("hostile", 2);
    assert_eq!(
        (machine.memory_bytes, machine.memory_available_bytes),
        (0, 0)
    );
    assert_eq!(machine.processor, "[31mEvil Core");
    assert!(machine.host.chars().count() <= MAX_LABEL_CHARS);
    assert_eq!(machine.cpus.len(), 2, "folders stand for the absurd list");
    assert!(machine.caches.is_empty());
}

#[test]
fn a_pipe_in_place_of_a_sensor_does_not_hold_the_sampler() {
    let copied = Copied::of("desktop-core-labels");
    let input = "sys/class/hwmon/hwmon0/temp2_input";
    copied.remove(input);
    nix::unistd::mkfifo(
        &copied.dir.path().join(input),
        nix::sys::stat::Mode::S_IRUSR,
    )
    .unwrap();
    let mut desktop = open(&copied.root());
    let id = channel(&desktop, "coretemp", "Core 0").id;
    assert_eq!(outcome(&mut desktop, id, at(1)), Some(Err(Loss::NoData)));
}

#[test]
fn channels_are_bounded_and_the_rest_is_a_gap() {
    let copied = Copied::of("bare-virtual");
    copied.write("sys/class/hwmon/hwmon0/name", "many\n");
    for number in 0..MAX_CHANNELS + 5 {
        copied.write(&format!("sys/class/hwmon/hwmon0/in{number}_input"), "1\n");
    }
    let many = open(&copied.root());
    assert_eq!(many.channels().len(), MAX_CHANNELS);
    assert!(has_gap(&many, GapKind::Environment, "1029 channels"));
}

#[test]
fn the_persons_own_word_on_roles_and_labels_holds() {
    let options: InstrumentOptions = toml::from_str(
        "[[roles]]\nchip = \"nct6799\"\nchannel = \"temp2\"\nrole = \"package\"\n\
         label = \"Socket\\u001b\"\n",
    )
    .unwrap();
    assert_eq!(options.roles[0].role, Some(Role::Package));
    let root = Root::simulated(folder("desktop-core-labels"));
    let desktop = Instruments::open(&root, &options, at(0));
    assert_eq!(channel(&desktop, "nct6799", "Socket").role, Role::Package);
    let by_label = InstrumentOptions {
        roles: vec![RoleOverride {
            chip: "nct6799".into(),
            channel: "CPU Fan".into(),
            role: Some(Role::Pump),
            label: None,
        }],
    };
    let desktop = Instruments::open(&root, &by_label, at(0));
    assert_eq!(channel(&desktop, "nct6799", "CPU Fan").role, Role::Pump);
}

#[test]
fn this_machine_is_read_without_failing_whatever_it_has() {
    let mut here = open(&Root::real());
    let (readings, _) = here.read(at(1000));
    assert!(readings.iter().all(|r| r.value.is_finite()));
    here.read_hardware();
    let machine = read_machine(
        &Root::real(),
        &(0..4096).map(CpuId).collect::<Vec<_>>(),
        &[],
    );
    assert!(!machine.cpus.is_empty() && !machine.kernel.is_empty() && machine.memory_bytes > 0);
    assert!(!machine.simulated);
}
