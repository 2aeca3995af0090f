//! The lowest and the highest value of a stretch, with when they came.

/// Seconds since the start of the run, and a value.
pub type Point = (f64, f64);

/// What stays of a stretch, however many points it had.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Extremes {
    /// The first of the lowest values.
    pub low: Point,
    /// The first of the highest.
    pub high: Point,
}

impl Extremes {
    /// Of a single point.
    pub fn of(point: Point) -> Self {
        Self {
            low: point,
            high: point,
        }
    }

    /// Takes in a later point.
    pub fn add(&mut self, point: Point) {
        self.merge(Self::of(point));
    }

    /// Takes in a later stretch.
    pub fn merge(&mut self, later: Self) {
        if later.low.1 < self.low.1 {
            self.low = later.low;
        }
        if later.high.1 > self.high.1 {
            self.high = later.high;
        }
    }

    /// Both in the order in which they came; one where they are the same.
    pub fn in_order(&self) -> (Point, Option<Point>) {
        let (first, second) = if self.low.0 <= self.high.0 {
            (self.low, self.high)
        } else {
            (self.high, self.low)
        };
        (first, (second != first).then_some(second))
    }
}
