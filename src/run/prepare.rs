//! From a wish to a run that can be started: everything that can be checked before load is put on is
//! checked here, the same for the command line and the service.

use crate::form::CheckFormError;
use crate::kernels;
use crate::model::{
    Channel, FORMAT, GapKind, InstructionSet, LoadClass, Machine, Plan, RunHeader, RunWish,
};
use crate::os::{self, Root};
use crate::sensors::{InstrumentOptions, Instruments, read_check_interval, read_machine};
use crate::suite::{self, ResolveSuiteError, Suite};

/// Clocks in MHz that are believed; a value in GHz or kHz is a slip.
const CLOCK_RANGE_MHZ: std::ops::RangeInclusive<f64> = 100.0..=10_000.0;
/// Air temperatures that can be meant, degrees Celsius.
const AIR_RANGE_C: std::ops::RangeInclusive<f64> = -40.0..=70.0;

/// A wish that cannot be carried out. Nothing was started.
#[derive(Debug, thiserror::Error)]
pub enum PrepareRunError {
    /// No such suite.
    #[error(
        "no suite is called `{name}`; built in are `{}`; a suite of your own is named by its path \
         (`./{name}.toml`)",
        suite::builtin_names().join("`, `")
    )]
    UnknownSuite {
        /// What was asked for.
        name: String,
    },
    /// The suite has mistakes.
    #[error(transparent)]
    Suite(#[from] CheckFormError),
    /// It does not fit this machine.
    #[error(transparent)]
    Resolve(#[from] ResolveSuiteError),
    /// A clock that cannot be meant.
    #[error(
        "a clock of {mhz} MHz is outside {} to {} MHz; it is given in MHz (5 GHz = 5000)",
        CLOCK_RANGE_MHZ.start(),
        CLOCK_RANGE_MHZ.end()
    )]
    Clock {
        /// As declared.
        mhz: f64,
    },
    /// An air temperature that cannot be meant.
    #[error(
        "air of {celsius} C is outside {} to {} C; it is given in degrees Celsius",
        AIR_RANGE_C.start(),
        AIR_RANGE_C.end()
    )]
    Air {
        /// As declared.
        celsius: f64,
    },
    /// Long load that nobody could watch.
    #[error(
        "no processor temperature can be read, and `{suite}` puts load on for a long time: nobody \
         would notice an over-hot machine. {remedy} Or say --without-thermometer and watch it \
         yourself"
    )]
    NoThermometer {
        /// The suite.
        suite: String,
        /// What would help.
        remedy: String,
    },
}

/// A run that may start.
#[derive(Debug)]
pub struct PreparedRun {
    /// Plan, machine, channels and gaps.
    pub header: RunHeader,
    /// To read from.
    pub instruments: Instruments,
}

/// The suite that `wish` names, checked.
///
/// # Errors
/// Unknown, or with mistakes.
pub fn read_suite(wish: &RunWish) -> Result<Suite, PrepareRunError> {
    let kernels = suite::known_kernels();
    let (origin, text) = match &wish.text {
        Some(text) => (wish.suite.as_str(), text.as_str()),
        None => suite::builtin(&wish.suite)
            .map(|builtin| (builtin.origin, builtin.text))
            .ok_or_else(|| PrepareRunError::UnknownSuite {
                name: wish.suite.clone(),
            })?,
    };
    Ok(suite::parse_suite(origin, text, &kernels)?)
}

/// What `wish` means on the machine below `root`.
///
/// # Errors
/// The suite is unknown, has mistakes or does not fit.
pub fn plan_run(root: &Root, wish: &RunWish) -> Result<(Plan, Machine), PrepareRunError> {
    let detected = kernels::detect();
    let machine = read_machine(root, &os::allowed_cpus(), detected.sets());
    let suite = read_suite(wish)?;
    let mut plan = suite::resolve_suite(&suite, &machine, &suite::known_kernels())?;
    plan.heat.maker_c = wish.maker_limit_c.or(plan.heat.maker_c);
    if let Some(interval) = read_check_interval(root) {
        suite::cool_down_at_least(&mut plan, interval);
    }
    Ok((plan, machine))
}

/// Everything that a run of `wish` needs, checked.
///
/// # Errors
/// What stands in its way.
pub fn prepare_run(root: &Root, wish: &RunWish) -> Result<PreparedRun, PrepareRunError> {
    let (plan, machine) = plan_run(root, wish)?;
    let outside = |mhz: &f64| !CLOCK_RANGE_MHZ.contains(mhz);
    let classes = wish.declared.clock_mhz.iter().map(|(_, mhz)| *mhz);
    let kinds = wish.declared.kind_clock_mhz.iter().map(|(_, mhz)| *mhz);
    if let Some(mhz) = classes.chain(kinds).find(outside) {
        return Err(PrepareRunError::Clock { mhz });
    }
    let air = [wish.declared.ambient_c, wish.declared.hottest_day_c];
    let mut air = air.into_iter().flatten();
    if let Some(celsius) = air.find(|celsius| !AIR_RANGE_C.contains(celsius)) {
        return Err(PrepareRunError::Air { celsius });
    }
    let instruments = Instruments::open(root, &InstrumentOptions::default(), os::moment());
    check_thermometer(&plan, &instruments, wish.without_thermometer)?;
    let header = RunHeader {
        format: FORMAT,
        id: uuid::Uuid::now_v7().to_string(),
        program: env!("CARGO_PKG_VERSION").to_owned(),
        started: os::moment(),
        kernels: kernels_of(&plan),
        plan,
        machine,
        channels: instruments.channels().to_vec(),
        gaps: instruments.gaps().to_vec(),
        declared: wish.declared.clone(),
    };
    Ok(PreparedRun {
        header,
        instruments,
    })
}

fn check_thermometer(
    plan: &Plan,
    instruments: &Instruments,
    without: bool,
) -> Result<(), PrepareRunError> {
    let has_one = instruments
        .channels()
        .iter()
        .any(Channel::is_processor_thermometer);
    if has_one || !plan.needs_thermometer || without {
        return Ok(());
    }
    let gap = instruments
        .gaps()
        .iter()
        .find(|gap| gap.kind == GapKind::NoProcessorTemperature);
    Err(PrepareRunError::NoThermometer {
        suite: plan.suite.clone(),
        remedy: gap.map_or_else(String::new, |gap| gap.remedy.clone()),
    })
}

fn kernels_of(plan: &Plan) -> Vec<(String, LoadClass, InstructionSet)> {
    let detected = kernels::detect();
    let mut used = Vec::new();
    let segments = plan.stages.iter().flat_map(|stage| &stage.segments);
    for name in segments
        .flat_map(|segment| &segment.loads)
        .flat_map(|load| &load.kernels)
    {
        let known = used
            .iter()
            .any(|(other, ..): &(String, _, _)| other == name);
        if let Some(spec) = kernels::find(name).filter(|_| !known) {
            used.push((name.clone(), spec.class, spec.best_path(&detected)));
        }
    }
    used
}
