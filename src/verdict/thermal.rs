//! How a temperature answers a step of load: a fit of one or two exponentials by variable projection.
//! For fixed rates everything else is linear, so the search is over the rates alone and needs no start
//! values. A record that is too short says so instead of inventing an end.

/// y = offset + sum of amplitude * exp(-rate * t).
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// Value at the far end.
    pub offset: f64,
    /// Amplitude and rate of each exponential, slowest first.
    pub terms: Vec<(f64, f64)>,
    /// Residual sum of squares.
    pub residual: f64,
}

impl Fit {
    /// Value of the curve at `t`.
    pub fn value(&self, t: f64) -> f64 {
        self.offset
            + self
                .terms
                .iter()
                .map(|(a, rate)| a * (-rate * t).exp())
                .sum::<f64>()
    }

    /// Slope of the curve at `t`, per unit of time.
    pub fn slope(&self, t: f64) -> f64 {
        self.terms
            .iter()
            .map(|(a, rate)| -a * rate * (-rate * t).exp())
            .sum()
    }

    /// How far apart the rates of the two slowest terms are, as a ratio; none with fewer than two.
    pub fn separation(&self) -> Option<f64> {
        let [slow, fast, ..] = &self.terms[..] else {
            return None;
        };
        Some(fast.1 / slow.1)
    }

    /// False when two time constants are so close that the data can hardly tell them apart: the curve
    /// is good, the single constants are not to be quoted.
    pub fn well_separated(&self) -> bool {
        self.separation().is_none_or(|ratio| ratio >= SEPARATE)
    }

    /// Time constant of the slowest term.
    pub fn slowest_time_constant(&self) -> Option<f64> {
        let rates = self.terms.iter().map(|(_, rate)| *rate);
        rates
            .reduce(f64::min)
            .filter(|rate| *rate > 0.0)
            .map(|rate| 1.0 / rate)
    }
}

/// Which functions of time make up the linear part.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Model {
    /// amplitude * (1 - exp(-rate * t)): a rise from zero.
    Rise,
    /// offset + amplitude * exp(-rate * t).
    Offset,
}

/// Ratio of rates from which two terms are taken for two.
const SEPARATE: f64 = 2.0;
const GRID: u32 = 60;
const GOLDEN: f64 = 0.618_033_988_749_894_8;
const STEPS: u32 = 90;

/// Solves the least-squares problem for basis `columns`; coefficients and residual sum of squares.
fn solve(columns: &[Vec<f64>], y: &[f64]) -> Option<(Vec<f64>, f64)> {
    // Modified Gram-Schmidt, which keeps the digits that normal equations lose.
    let n = columns.len();
    let mut q: Vec<Vec<f64>> = columns.to_vec();
    let mut r = vec![vec![0.0; n]; n];
    let mut rest = y.to_vec();
    let mut projected = vec![0.0; n];
    let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
    for i in 0..n {
        r[i][i] = dot(&q[i], &q[i]).sqrt();
        if r[i][i].is_nan() || r[i][i] <= 1e-300 {
            return None;
        }
        let scale = r[i][i];
        q[i].iter_mut().for_each(|value| *value /= scale);
        let unit = q[i].clone();
        for j in i + 1..n {
            r[i][j] = dot(&unit, &q[j]);
            let factor = r[i][j];
            q[j].iter_mut()
                .zip(&unit)
                .for_each(|(value, u)| *value -= factor * u);
        }
        projected[i] = dot(&unit, &rest);
        let factor = projected[i];
        rest.iter_mut()
            .zip(&unit)
            .for_each(|(value, u)| *value -= factor * u);
    }
    let mut x = vec![0.0; n];
    for i in (0..n).rev() {
        let known: f64 = (i + 1..n).map(|j| r[i][j] * x[j]).sum();
        x[i] = (projected[i] - known) / r[i][i];
    }
    Some((x, dot(&rest, &rest)))
}

fn columns(model: Model, rates: &[f64], t: &[f64]) -> Vec<Vec<f64>> {
    let decay = |rate: f64| {
        t.iter()
            .map(move |t| (-rate * t).exp())
            .collect::<Vec<f64>>()
    };
    match model {
        Model::Rise => rates
            .iter()
            .map(|rate| t.iter().map(|t| -(-rate * t).exp_m1()).collect())
            .collect(),
        Model::Offset => {
            let mut all = vec![vec![1.0; t.len()]];
            all.extend(rates.iter().map(|rate| decay(*rate)));
            all
        }
    }
}

fn residual(model: Model, rates: &[f64], t: &[f64], y: &[f64]) -> f64 {
    solve(&columns(model, rates, t), y).map_or(f64::INFINITY, |(_, residual)| residual)
}

fn minimum(low: f64, high: f64, cost: &mut dyn FnMut(f64) -> f64) -> f64 {
    let (mut a, mut b) = (low, high);
    let (mut c, mut d) = (b - GOLDEN * (b - a), a + GOLDEN * (b - a));
    let (mut at_c, mut at_d) = (cost(c), cost(d));
    for _ in 0..STEPS {
        if at_c < at_d {
            (b, d, at_d) = (d, c, at_c);
            c = b - GOLDEN * (b - a);
            at_c = cost(c);
        } else {
            (a, c, at_c) = (c, d, at_d);
            d = a + GOLDEN * (b - a);
            at_d = cost(d);
        }
    }
    f64::midpoint(a, b)
}

/// The place of least cost; each is asked once, since costs are dear.
fn least(places: &mut dyn Iterator<Item = f64>, cost: &mut dyn FnMut(f64) -> f64) -> Option<f64> {
    let costs = places.map(|place| (place, cost(place)));
    let least = costs.min_by(|one, other| one.1.total_cmp(&other.1));
    least.map(|(place, _)| place)
}

fn best_log_rate(span: f64, cost: &mut dyn FnMut(f64) -> f64) -> f64 {
    let (low, high) = ((0.01 / span).ln(), (500.0 / span).ln());
    let step = (high - low) / f64::from(GRID);
    let at = |index: u32| low + step * f64::from(index);
    let centre = least(&mut (0..=GRID).map(at), cost).unwrap_or(low);
    minimum(centre - step, centre + step, cost)
}

fn fit_of(model: Model, rates: &[f64], t: &[f64], y: &[f64]) -> Option<Fit> {
    let (x, residual) = solve(&columns(model, rates, t), y)?;
    let (offset, amplitudes) = match model {
        Model::Rise => (x.iter().sum(), x.iter().map(|a| -a).collect::<Vec<f64>>()),
        Model::Offset => (x[0], x[1..].to_vec()),
    };
    let mut terms: Vec<(f64, f64)> = amplitudes.into_iter().zip(rates.iter().copied()).collect();
    terms.sort_by(|one, other| one.1.total_cmp(&other.1));
    Some(Fit {
        offset,
        terms,
        residual,
    })
}

/// Fits one exponential to the points (`t`, `y`); none for fewer than four points or no span.
pub fn fit_one(model: Model, t: &[f64], y: &[f64]) -> Option<Fit> {
    let span = span_of(t, y, 4)?;
    let log_rate = best_log_rate(span, &mut |log| residual(model, &[log.exp()], t, y));
    fit_of(model, &[log_rate.exp()], t, y)
}

/// Fits two exponentials; none for fewer than six points or no span. Rates that
/// are hardly separate are told by [`Fit::well_separated`].
pub fn fit_two(model: Model, t: &[f64], y: &[f64]) -> Option<Fit> {
    let span = span_of(t, y, 6)?;
    // The faster rate is slower times (1 + exp(gap)), so that the two never change places.
    let rates = |slow: f64, gap: f64| [slow.exp(), slow.exp() * (1.0 + gap.exp())];
    let inner = |slow: f64| {
        let cost = &mut |gap: f64| residual(model, &rates(slow, gap), t, y);
        let mut grid = (0..=20).map(|index| -4.0 + 0.4 * f64::from(index));
        let best = least(&mut grid, cost).unwrap_or(0.0);
        minimum(best - 0.4, best + 0.4, cost)
    };
    let slow = best_log_rate(span, &mut |slow| {
        residual(model, &rates(slow, inner(slow)), t, y)
    });
    fit_of(model, &rates(slow, inner(slow)), t, y)
}

fn span_of(t: &[f64], y: &[f64], least: usize) -> Option<f64> {
    let usable = t.len() == y.len() && t.len() >= least;
    let finite = t.iter().chain(y).all(|value| value.is_finite());
    let span = t.iter().copied().reduce(f64::max)?;
    (usable && finite && span > 0.0).then_some(span)
}
