//! What the machine says of itself.

use soakproof::model::CpuId;
use soakproof::os::Root;
use soakproof::sensors::{read_machine, read_memory_pressure};

use super::{Copied, folder, machine};

#[test]
fn the_machine_tells_what_it_is() {
    let desktop = machine("desktop-core-labels", 8);
    assert_eq!(desktop.host, "larch");
    assert_eq!(
        (desktop.processor.as_str(), desktop.microcode.as_str()),
        ("Quercus Q8 4-core", "0xf4")
    );
    assert_eq!(desktop.board, "Birchwood BW-Z1");
    assert_eq!(desktop.firmware, "Birchwood 1.20 03/01/2026");
    assert_eq!(desktop.kernel, "6.12.0-demo");
    assert_eq!(desktop.boot_id, "11111111-2222-4333-8444-555555555555");
    assert_eq!((desktop.cpus.len(), desktop.core_count()), (8, 4));
    let caches: Vec<(u8, u64, u32)> = desktop
        .caches
        .iter()
        .map(|c| (c.level, c.bytes, c.shared_by))
        .collect();
    assert_eq!(
        caches,
        [(1, 48 << 10, 2), (2, 2 << 20, 2), (3, 30 << 20, 8)]
    );
    assert_eq!(desktop.memory_bytes, 32_768_000 * 1024);
    assert!(desktop.simulated);
    assert_eq!(
        machine("desktop-core-labels", 3).cpus.len(),
        3,
        "affinity is respected"
    );
    assert!(read_memory_pressure(&Root::simulated(folder("desktop-core-labels"))).is_some());
    assert!(read_memory_pressure(&Root::simulated(folder("bare-virtual"))).is_none());
}

#[test]
fn kinds_of_cores_and_the_smallest_caches_are_told() {
    let laptop = machine("laptop-zones-hybrid", 6);
    let kinds: Vec<&str> = laptop
        .cpus
        .iter()
        .map(|c| c.kind.as_deref().unwrap())
        .collect();
    assert_eq!(kinds[..4], ["performance"; 4]);
    assert_eq!(kinds[4..], ["efficiency"; 2]);
    assert_eq!(laptop.core_count(), 4);
    assert_eq!(
        (laptop.caches[0].bytes, laptop.caches[1].bytes),
        (32 << 10, 1280 << 10)
    );
    let arm = machine("arm-board", 4);
    assert_eq!(arm.core_count(), 4, "numbers repeat in the two clusters");
    assert_eq!(arm.cpus[3].kind.as_deref(), Some("performance"));
    assert_eq!(arm.processor, "implementer 0x41 part 0xd0b");
    assert_eq!(arm.board, "Hazel Board 4");
}

#[test]
fn a_control_groups_limit_of_any_ancestor_bounds_the_memory() {
    let server = machine("server-two-packages", 8);
    assert_eq!(
        server.memory_available_bytes,
        137_438_953_472 - 7_438_953_472
    );
    assert_eq!(
        machine("bare-virtual", 2).memory_available_bytes,
        3_500_000 * 1024
    );
}

#[test]
fn siblings_are_known_by_their_numbers_where_no_list_names_them() {
    let copied = Copied::of("desktop-core-labels");
    for cpu in 0..8 {
        copied.remove(&format!(
            "sys/devices/system/cpu/cpu{cpu}/topology/core_cpus_list"
        ));
    }
    let allowed: Vec<CpuId> = (0..8).map(CpuId).collect();
    assert_eq!(read_machine(&copied.root(), &allowed, &[]).core_count(), 4);
}
