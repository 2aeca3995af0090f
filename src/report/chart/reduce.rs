//! Thins a course out to a given number of stretches and keeps what matters of each: its lowest and its
//! highest value, in the order in which they came.

/// Seconds since the start of the run, and a value.
pub type Point = (f64, f64);

/// Takes a course in point by point, oldest first, and holds a bounded number of points of it.
#[derive(Debug, Clone)]
pub struct Reducer {
    start: f64,
    /// Length of a stretch, in seconds.
    stretch: f64,
    /// A longer pause between two points is a gap, in seconds.
    gap: f64,
    last: Option<f64>,
    open: Option<Stretch>,
    pieces: Vec<Vec<Point>>,
}

#[derive(Debug, Clone, Copy)]
struct Stretch {
    number: u64,
    low: Point,
    high: Point,
}

impl Reducer {
    /// For a course from `start` to `end` in seconds, in `stretches` of equal length (at least one). A
    /// pause longer than `gap_s` and than a stretch, which nobody could see, ends a piece.
    pub fn new((start, end): (f64, f64), stretches: u32, gap_s: f64) -> Self {
        let length = (end - start).max(f64::MIN_POSITIVE);
        let stretch = length / f64::from(stretches.max(1));
        Self {
            start,
            stretch,
            gap: gap_s.max(stretch),
            last: None,
            open: None,
            pieces: Vec::new(),
        }
    }

    /// Takes the next point in. What is no number is passed over; so is a point from before the last one,
    /// which no clock of a record gives.
    pub fn push(&mut self, (t, value): Point) {
        if !t.is_finite() || !value.is_finite() || self.last.is_some_and(|last| t < last) {
            return;
        }
        if self.last.is_some_and(|last| t - last > self.gap) {
            self.close();
        }
        if self.last.is_none_or(|last| t - last > self.gap) {
            self.pieces.push(Vec::new());
        }
        self.last = Some(t);
        let number = self.number(t);
        match &mut self.open {
            Some(open) if open.number == number => {
                if value < open.low.1 {
                    open.low = (t, value);
                }
                if value > open.high.1 {
                    open.high = (t, value);
                }
            }
            Some(_) | None => {
                self.close();
                self.open = Some(Stretch {
                    number,
                    low: (t, value),
                    high: (t, value),
                });
            }
        }
    }

    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a float cast saturates, and points before the start belong to the first stretch"
    )]
    fn number(&self, t: f64) -> u64 {
        ((t - self.start) / self.stretch).floor() as u64
    }

    fn close(&mut self) {
        let Some(stretch) = self.open.take() else {
            return;
        };
        let Some(piece) = self.pieces.last_mut() else {
            return;
        };
        let (first, second) = if stretch.low.0 <= stretch.high.0 {
            (stretch.low, stretch.high)
        } else {
            (stretch.high, stretch.low)
        };
        piece.push(first);
        if second != first {
            piece.push(second);
        }
    }

    /// The pieces between gaps, each oldest point first.
    pub fn finish(mut self) -> Vec<Vec<Point>> {
        self.close();
        self.pieces
    }
}
