//! Figures for monitoring: names, units and values of OpenMetrics 1.0
//! (github.com/prometheus/OpenMetrics, specification/OpenMetrics.md) and the naming practices of
//! prometheus.io/docs/practices/naming.

use soakproof::model::{
    Channel, ChannelId, CpuId, Grade, Hold, HoldKind, Moment, Mono, Quantity, Reading, Role,
    Sample, Wall, WorkerProgress,
};
use soakproof::report::QueueView;
use soakproof::service::metrics::{Figures, Live, render_metrics};
use soakproof::store::RunSummary;

fn summary(number: i64, grade: Option<Grade>) -> RunSummary {
    RunSummary {
        number,
        id: format!("run-{number}"),
        suite: "hour".to_owned(),
        host: "bench".to_owned(),
        started: Wall(1_800_000_000_000),
        ended: grade.map(|_| Wall(1_800_000_600_500)),
        grade,
        findings: 2,
        simulated: false,
        open: grade.is_none(),
        boot_id: String::new(),
    }
}

fn channel(id: u16, quantity: Quantity, label: &str) -> Channel {
    Channel {
        id: ChannelId(id),
        quantity,
        role: Role::Package,
        source: String::new(),
        chip: "chip".to_owned(),
        label: label.to_owned(),
        core: None,
        limit: None,
        critical: None,
        step: None,
        slow: false,
    }
}

fn queue() -> QueueView {
    let hold = Hold {
        kind: HoldKind::AfterReset,
        since: Wall(0),
        reason: String::new(),
    };
    QueueView {
        holds: vec![hold],
        ..QueueView::default()
    }
}

fn worker() -> WorkerProgress {
    WorkerProgress {
        cpu: CpuId(3),
        load: 0,
        kernel: 0,
        passes: vec![5, 6],
        checked_s: vec![1.5, 2.25],
        clock_mhz: Vec::new(),
        part_walks: 0,
        errors: 1,
        load_steps: 0,
        silent_ns: 0,
        pausing: false,
    }
}

#[test]
fn figures_are_in_base_units_under_the_names_of_the_trade() {
    let channels = [
        channel(0, Quantity::Temperature, "die \"0\"\\"),
        channel(1, Quantity::Voltage, "core"),
        channel(2, Quantity::Fan, "front"),
        channel(3, Quantity::Clock, "cpu0"),
        channel(4, Quantity::CorrectedErrors, "mc0"),
        channel(5, Quantity::Power, "silent"),
    ];
    let values = [(0, 71.5), (1, 1250.0), (2, 1200.0), (3, 3600.0), (4, 7.0)];
    let sample = Sample {
        at: Moment {
            mono: Mono(0),
            wall: Wall(1_800_000_100_000),
        },
        readings: values
            .map(|(id, value)| Reading {
                channel: ChannelId(id),
                value,
            })
            .to_vec(),
        workers: vec![worker()],
        ..Sample::default()
    };
    let runs = [
        summary(1, Some(Grade::Failed)),
        summary(2, Some(Grade::Proven)),
        summary(3, None),
    ];
    let text = render_metrics(&Figures {
        queue: &queue(),
        runs: &runs,
        live: Some(Live {
            summary: &runs[2],
            channels: &channels,
            sample: Some(&sample),
        }),
    })
    .expect("rendered");
    let expected = [
        "soakproof_run_active 1.0",
        "soakproof_queue_held{kind=\"after-reset\"} 1.0",
        "soakproof_recorded_runs{grade=\"failed\"} 1.0",
        "soakproof_last_run_info{grade=\"proven\",suite=\"hour\",run=\"2\"} 1",
        "soakproof_last_run_end_timestamp_seconds 1800000600.5",
        "soakproof_run_start_timestamp_seconds 1800000000.0",
        "soakproof_sample_timestamp_seconds 1800000100.0",
        "# TYPE soakproof_sensor_temperature_celsius gauge",
        "# UNIT soakproof_sensor_temperature_celsius celsius",
        // A driver's label may hold anything; `\\`, `\"` and line feeds are escaped.
        "soakproof_sensor_temperature_celsius{channel=\"0\",chip=\"chip\",label=\"die \\\"0\\\"\\\\\",role=\"package\"} 71.5",
        "soakproof_sensor_voltage_volts{channel=\"1\",chip=\"chip\",label=\"core\",role=\"package\"} 1.25",
        "soakproof_sensor_rotation_hertz{channel=\"2\",chip=\"chip\",label=\"front\",role=\"package\"} 20.0",
        "soakproof_sensor_clock_hertz{channel=\"3\",chip=\"chip\",label=\"cpu0\",role=\"package\"} 3600000000.0",
        "soakproof_corrected_errors_total{channel=\"4\",chip=\"chip\",label=\"mc0\",role=\"package\"} 7.0",
        "soakproof_worker_passes_total{cpu=\"3\"} 11.0",
        "soakproof_worker_checked_seconds_total{cpu=\"3\"} 3.75",
        "soakproof_worker_errors_total{cpu=\"3\"} 1.0",
    ];
    for line in expected {
        assert!(
            text.lines().any(|known| known == line),
            "{line} is not in\n{text}"
        );
    }
    assert!(text.ends_with("# EOF\n"), "{text}");
    assert!(
        !text.contains("watts") && !text.contains("NaN"),
        "no reading is no line: {text}"
    );
}

#[test]
fn without_a_run_nothing_is_said_of_one() {
    let text = render_metrics(&Figures {
        queue: &QueueView::default(),
        runs: &[],
        live: None,
    })
    .expect("rendered");
    assert!(text.contains("soakproof_run_active 0.0\n"), "{text}");
    assert!(
        text.contains("soakproof_queue_waiting_jobs 0.0\n"),
        "{text}"
    );
    for absent in ["last_run", "sensor", "worker", "held", "recorded"] {
        assert!(!text.contains(absent), "{absent}: {text}");
    }
}
