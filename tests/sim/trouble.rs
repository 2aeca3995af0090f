//! What goes wrong in a simulated run, drawn from one seed.

use soakproof::model::Severity;
use soakproof::run::core::Silence;

/// SplitMix64 (Steele, Lea, Flood 2014): the same on every machine and in every version.
#[derive(Debug, Clone)]
pub(crate) struct Chance(pub(crate) u64);

impl Chance {
    pub(crate) fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    pub(crate) fn one_in(&mut self, n: u64) -> bool {
        self.next().is_multiple_of(n)
    }

    /// Uniform in `[0, 1)`.
    pub(crate) fn share(&mut self) -> f64 {
        #[expect(clippy::cast_precision_loss, reason = "53 bits are kept")]
        let value = (self.next() >> 11) as f64 / (1_u64 << 53) as f64;
        value
    }

    fn second(&mut self, most: u64) -> u64 {
        1 + self.next() % most
    }
}

#[test]
fn the_chance_is_the_published_generator() {
    // Widely published first outputs for seed 1234567 (quoted from memory, and computed).
    let mut chance = Chance(1_234_567);
    assert_eq!(chance.next(), 6_457_827_717_110_365_317);
    assert_eq!(chance.next(), 3_203_168_211_198_807_973);
}

/// A core that is wrong now and then.
#[derive(Debug, Clone)]
pub(crate) struct Defect {
    pub(crate) core: u32,
    pub(crate) kernel: &'static str,
    /// Errors in a second of checked load.
    pub(crate) rate_per_s: f64,
    /// Only at this temperature and above.
    pub(crate) above_c: f64,
}

/// What goes wrong in a run.
#[derive(Debug, Clone, Default)]
pub(crate) struct Trouble {
    pub(crate) climb_c_per_s: f64,
    pub(crate) sampler_dies_at_s: Option<u64>,
    pub(crate) sampler_stutters: bool,
    pub(crate) sensor_gone_at_s: Option<u64>,
    pub(crate) sensor_jumps_at_s: Option<u64>,
    pub(crate) sensor_leaps_at_s: Option<u64>,
    pub(crate) clipped_from_s: Option<(u64, u64)>,
    pub(crate) frozen: bool,
    pub(crate) stop_at_s: Option<u64>,
    pub(crate) kill_at_s: Option<u64>,
    pub(crate) store_fails_at_s: Option<u64>,
    pub(crate) store_silent_from_s: Option<u64>,
    pub(crate) sleeps_at_s: Option<u64>,
    pub(crate) liar: Option<u32>,
    pub(crate) forgetful: Option<u32>,
    pub(crate) crashes_at_s: Option<u64>,
    pub(crate) killed_at_s: Option<u64>,
    pub(crate) hangs: Option<(u64, Silence)>,
    pub(crate) unable: bool,
    pub(crate) not_started: bool,
    pub(crate) never_ready: bool,
    pub(crate) panics_at_s: Option<u64>,
    pub(crate) leaves_at_s: Option<u64>,
    pub(crate) hardware: Option<(u64, Severity)>,
    pub(crate) deaf: bool,
    pub(crate) go_on: bool,
    pub(crate) long: bool,
    pub(crate) wall_jumps: bool,
    pub(crate) defect: Option<Defect>,
}

impl Trouble {
    /// Troubles drawn from `seed`; about a quarter of the runs are left alone.
    pub(crate) fn drawn(seed: u64) -> Self {
        let mut chance = Chance(seed ^ 0x5eed);
        let mut trouble = Self {
            go_on: chance.one_in(2),
            ..Self::default()
        };
        if chance.one_in(4) {
            return trouble;
        }
        let mut at = |n: u64| chance.one_in(n).then(|| chance.second(30));
        trouble.sampler_dies_at_s = at(12);
        trouble.sensor_gone_at_s = at(12);
        trouble.sensor_jumps_at_s = at(12);
        trouble.stop_at_s = at(10);
        trouble.kill_at_s = at(20);
        trouble.store_fails_at_s = at(15);
        trouble.store_silent_from_s = at(15);
        trouble.sleeps_at_s = at(20);
        trouble.crashes_at_s = at(8);
        trouble.killed_at_s = at(12);
        let silence = match chance.next() % 3 {
            0 => Silence::Running,
            1 => Silence::Starved,
            _ => Silence::StoppedFromOutside,
        };
        trouble.hangs = chance.one_in(8).then(|| (chance.second(20), silence));
        trouble.climb_c_per_s = if chance.one_in(6) { 6.0 } else { 0.0 };
        trouble.sampler_stutters = chance.one_in(6);
        trouble.liar = chance.one_in(6).then_some(0);
        trouble.forgetful = chance.one_in(8).then_some(1);
        trouble.unable = chance.one_in(25);
        trouble.not_started = chance.one_in(25);
        trouble.deaf = chance.one_in(6);
        trouble.sensor_leaps_at_s = chance.one_in(12).then(|| chance.second(30));
        let lasts = chance.second(5);
        trouble.clipped_from_s = chance.one_in(12).then(|| (chance.second(30), lasts));
        trouble.never_ready = chance.one_in(60);
        trouble.panics_at_s = chance.one_in(20).then(|| chance.second(30));
        trouble.leaves_at_s = chance.one_in(20).then(|| chance.second(30));
        let severity = match chance.next() % 3 {
            0 => Severity::Uncorrected,
            _ => Severity::Corrected,
        };
        trouble.hardware = chance.one_in(8).then(|| (chance.second(30), severity));
        trouble.wall_jumps = chance.one_in(5);
        trouble
    }
}
