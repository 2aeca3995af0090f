//! `run`: check everything that can be checked before load is put on, run, show the verdict.

use anyhow::Context;

use super::arguments::{Required, RunArguments};
use super::dry_run::show_plan;
use super::progress::Screen;
use super::runs::recover;
use super::{Exit, Failure, put, put_json, tell};
use crate::kernels;
use crate::model::{
    Declared, FORMAT, Gap, GapKind, Grade, LoadClass, Machine, Plan, Quantity, RunHeader,
};
use crate::os::{self, LoadLock, Root};
use crate::report::{self, Style};
use crate::run::{RunOutcome, RunSetup, open_whole_store, run_suite, set_aside_gap};
use crate::sensors::{InstrumentOptions, Instruments, read_machine};
use crate::store::Store;
use crate::suite;

/// Highest clock in MHz that is believed; a value in GHz or kHz is a slip.
const CLOCK_RANGE_MHZ: std::ops::RangeInclusive<f64> = 100.0..=10_000.0;

/// Runs the command.
pub(super) fn run(wanted: &RunArguments) -> Result<Exit, Failure> {
    let root = wanted.machine.root();
    let detected = kernels::detect();
    let machine = read_machine(&root, &os::allowed_cpus(), detected.sets());
    let mut plan = resolve(&wanted.suite, &machine)?;
    plan.heat.maker_c = wanted.maker_limit.or(plan.heat.maker_c);
    if wanted.dry_run {
        return Ok(show_plan(&plan, &machine, wanted));
    }
    let declared = declared(wanted)?;
    let instruments = Instruments::open(&root, &InstrumentOptions::default(), os::moment());
    check_thermometer(&plan, &instruments, wanted.without_thermometer)?;
    let _lock = LoadLock::take()?;
    let (mut store, aside) = open_whole(wanted.store.store.as_deref())?;
    recover(&mut store, &root);
    let mut header = header(plan, machine, &instruments, declared);
    header.gaps.extend(aside);
    let mut screen = Screen::new();
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .context("cannot start the event loop")?;
    let setup = RunSetup {
        header,
        instruments,
        store,
    };
    let outcome = runtime.block_on(run_suite(setup, &mut screen));
    screen.clear();
    show(&outcome?, wanted)
}

fn show(outcome: &RunOutcome, wanted: &RunArguments) -> Result<Exit, Failure> {
    if wanted.store.output.json {
        put_json(&report::report_json(Some(outcome.number), &outcome.record));
    } else {
        put(&report::verdict_text(
            &outcome.record,
            &outcome.verdict,
            style().of_run(outcome.number),
        ));
    }
    if !outcome.stored {
        let error = anyhow::anyhow!(
            "part of the record of run {} could not be written; the verdict above is all there is: \
             free room in the store's folder or name another one with --store DIR",
            outcome.number
        );
        return Err(Failure {
            error,
            exit: Exit::Other,
        });
    }
    let required = wanted.require.map(|Required::Proven| Grade::Proven);
    Ok(Exit::of(&outcome.verdict, required))
}

/// How texts are drawn: plain, so that they read the same everywhere.
pub(super) fn style() -> Style {
    Style::new(false, os::terminal_width()).in_zone(jiff::tz::TimeZone::system())
}

/// Opens the record in `folder` or in the user's state folder.
pub(super) fn open_store(folder: Option<&std::path::Path>) -> Result<Store, Failure> {
    let folder = match folder {
        Some(folder) => folder.to_path_buf(),
        None => os::state_folder().map_err(Failure::usage)?,
    };
    Ok(Store::open(&folder)?)
}

/// The same, checked first; a damaged record is set aside and told.
fn open_whole(folder: Option<&std::path::Path>) -> Result<(Store, Option<Gap>), Failure> {
    let folder = match folder {
        Some(folder) => folder.to_path_buf(),
        None => os::state_folder().map_err(Failure::usage)?,
    };
    let (store, aside) = open_whole_store(&folder, os::moment().wall)?;
    let gap = aside.as_ref().map(set_aside_gap);
    if let Some(gap) = &gap {
        tell(&format!(
            "warning: {}: {}",
            report::escape(&gap.about),
            gap.remedy
        ));
    }
    Ok((store, gap))
}

fn resolve(name: &str, machine: &Machine) -> Result<Plan, Failure> {
    let kernels = suite::known_kernels();
    let is_path = name.contains('/') || name.ends_with(".toml");
    let checked = if is_path {
        let text = Root::real()
            .read_bytes(std::path::absolute(name).context("cannot find the suite file")?)
            .map_err(|error| {
                Failure::usage(anyhow::Error::from(error).context("no such suite file"))
            })?;
        let text = String::from_utf8(text)
            .map_err(|_| Failure::usage(anyhow::anyhow!("`{name}` is not UTF-8 text")))?;
        suite::parse_suite(name, &text, &kernels)
    } else {
        let Some(builtin) = suite::builtin(name) else {
            let known = suite::builtin_names().join("`, `");
            return Err(Failure::usage(anyhow::anyhow!(
                "no suite is called `{name}`; built in are `{known}`; a suite of your own is named \
                 by its path (`./{name}.toml`)"
            )));
        };
        suite::parse_suite(builtin.origin, builtin.text, &kernels)
    };
    let checked = checked.map_err(Failure::usage)?;
    suite::resolve_suite(&checked, machine, &kernels).map_err(Failure::usage)
}

fn declared(wanted: &RunArguments) -> Result<Declared, Failure> {
    let mut clock_mhz = Vec::new();
    for class in LoadClass::ALL {
        let wide = class == LoadClass::WideVector;
        let given = if wide {
            wanted.wide_clock.or(wanted.clock)
        } else {
            wanted.clock
        };
        let Some(mhz) = given else { continue };
        if !CLOCK_RANGE_MHZ.contains(&mhz) {
            return Err(Failure::usage(anyhow::anyhow!(
                "a clock of {mhz} MHz is outside {} to {} MHz; it is given in MHz (5 GHz = 5000)",
                CLOCK_RANGE_MHZ.start(),
                CLOCK_RANGE_MHZ.end()
            )));
        }
        clock_mhz.push((class, mhz));
    }
    Ok(Declared {
        clock_mhz,
        ambient_c: wanted.ambient,
        note: wanted.note.clone(),
    })
}

fn check_thermometer(plan: &Plan, instruments: &Instruments, without: bool) -> Result<(), Failure> {
    let has_one = instruments
        .channels()
        .iter()
        .any(|channel| channel.quantity == Quantity::Temperature && channel.role.is_processor());
    if has_one || !plan.needs_thermometer || without {
        return Ok(());
    }
    let gap = instruments
        .gaps()
        .iter()
        .find(|gap| gap.kind == GapKind::NoProcessorTemperature);
    let remedy = gap.map_or("", |gap| gap.remedy.as_str());
    Err(Failure::usage(anyhow::anyhow!(
        "no processor temperature can be read, and `{}` puts load on for a long time: nobody would \
         notice an over-hot machine. {remedy} Or say --without-thermometer and watch it yourself",
        plan.suite
    )))
}

fn header(
    plan: Plan,
    machine: Machine,
    instruments: &Instruments,
    declared: Declared,
) -> RunHeader {
    let detected = kernels::detect();
    let mut kernels = Vec::new();
    let segments = plan.stages.iter().flat_map(|stage| &stage.segments);
    for name in segments
        .flat_map(|segment| &segment.loads)
        .flat_map(|load| &load.kernels)
    {
        let known = kernels
            .iter()
            .any(|(other, ..): &(String, _, _)| other == name);
        if let Some(spec) = kernels::find(name).filter(|_| !known) {
            kernels.push((name.clone(), spec.class, spec.best_path(&detected)));
        }
    }
    RunHeader {
        format: FORMAT,
        id: uuid::Uuid::now_v7().to_string(),
        program: env!("CARGO_PKG_VERSION").to_owned(),
        started: os::moment(),
        plan,
        machine,
        channels: instruments.channels().to_vec(),
        gaps: instruments.gaps().to_vec(),
        declared,
        kernels,
    }
}
