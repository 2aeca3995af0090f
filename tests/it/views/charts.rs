//! Charts as pictures, and what thinning out keeps.

use proptest::prelude::*;
use soakproof::report::chart::{
    Point, Reducer, as_document, memory_map, overlays, panels, stage_bar,
};

use super::night::Night;
use super::{golden, short};

fn reduced(points: &[Point], stretches: u32, gap_s: f64) -> Vec<Vec<Point>> {
    let end = points.last().map_or(1.0, |point| point.0);
    let mut reducer = Reducer::new((0.0, end), stretches, gap_s);
    for point in points {
        reducer.push(*point);
    }
    reducer.finish()
}

/// Times that only grow, by steps that are now and then a gap, with any values.
fn a_course() -> impl Strategy<Value = Vec<Point>> {
    let step = prop_oneof![9 => 0.5_f64..1.5, 1 => 5.0_f64..400.0];
    proptest::collection::vec((step, -50.0_f64..150.0), 1..600).prop_map(|steps| {
        let mut t = 0.0;
        steps
            .into_iter()
            .map(|(step, value)| {
                t += step;
                (t, value)
            })
            .collect()
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(256))]
    #[test]
    fn every_extreme_of_every_stretch_is_kept(points in a_course(), stretches in 1_u32..90) {
        let kept: Vec<Point> = reduced(&points, stretches, 3.5).concat();
        let end = points.last().unwrap().0;
        let length = end / f64::from(stretches);
        for number in 0..stretches {
            let (from, to) = (f64::from(number) * length, f64::from(number + 1) * length);
            // A point upon a bound belongs to either side, as rounding has it; nobody can argue about that.
            let upon = |bound: f64| points.iter().any(|point| (point.0 - bound).abs() < 1e-9);
            if upon(from) || upon(to) {
                continue;
            }
            let inside = |t: f64| t > from && t < to;
            let of = |points: &[Point]| -> Vec<f64> {
                points.iter().filter(|point| inside(point.0)).map(|point| point.1).collect()
            };
            let (all, some) = (of(&points), of(&kept));
            let values = || all.iter().copied();
            for extreme in values().reduce(f64::max).into_iter().chain(values().reduce(f64::min)) {
                prop_assert!(some.contains(&extreme), "{extreme} of stretch {number}");
            }
        }
        let extremes = |points: &[Point]| {
            let values = || points.iter().map(|point| point.1);
            (values().reduce(f64::min), values().reduce(f64::max))
        };
        prop_assert_eq!(extremes(&points), extremes(&kept));
    }

    #[test]
    fn nothing_is_invented_and_no_more_than_two_points_a_stretch_remain(
        points in a_course(), stretches in 1_u32..90
    ) {
        let kept: Vec<Point> = reduced(&points, stretches, 3.5).concat();
        prop_assert!(kept.iter().all(|point| points.contains(point)));
        prop_assert!(kept.windows(2).all(|pair| pair[0].0 <= pair[1].0));
        prop_assert!(kept.len() <= 2 * (stretches as usize + 1), "{} of {stretches}", kept.len());
    }

    #[test]
    fn a_gap_stays_a_gap_and_nothing_else_becomes_one(points in a_course(), stretches in 1_u32..90) {
        let end = points.last().unwrap().0;
        let visible = (end / f64::from(stretches)).max(3.5);
        let pieces = reduced(&points, stretches, 3.5);
        let gaps: Vec<(f64, f64)> = points
            .windows(2)
            .map(|pair| (pair[0].0, pair[1].0))
            .filter(|(before, after)| after - before > visible)
            .collect();
        prop_assert_eq!(pieces.len(), gaps.len() + 1);
        for (piece, (before, after)) in pieces.iter().zip(&gaps) {
            prop_assert!(piece.iter().all(|point| point.0 <= *before));
            prop_assert!(pieces.iter().flatten().all(|point| point.0 <= *before || point.0 >= *after));
        }
    }
}

#[test]
fn one_spike_of_a_single_second_survives_ten_hours() {
    let mut points: Vec<Point> = (0..36_000).map(|t| (f64::from(t), 60.0)).collect();
    points[17_321].1 = 97.5;
    points[29_000].1 = -4.0;
    let kept = reduced(&points, 40, 3.5).concat();
    assert!(kept.contains(&(17_321.0, 97.5)) && kept.contains(&(29_000.0, -4.0)));
    assert!(kept.len() <= 80, "{}", kept.len());
}

#[test]
fn values_that_are_no_numbers_and_times_that_run_back_are_passed_over() {
    let points = [
        (0.0, 1.0),
        (1.0, f64::NAN),
        (f64::INFINITY, 5.0),
        (2.0, 2.0),
        (1.5, 99.0),
        (3.0, f64::NEG_INFINITY),
    ];
    let mut reducer = Reducer::new((0.0, 4.0), 4, 3.5);
    for point in points {
        reducer.push(point);
    }
    assert_eq!(reducer.finish().concat(), [(0.0, 1.0), (2.0, 2.0)]);
}

#[test]
fn the_charts_of_a_run_are_these() {
    let record = Night {
        wrong_at: Some(300),
        blind: Some((200, 230)),
        ..short()
    }
    .record();
    let panels = panels(&record);
    let names: Vec<&str> = panels.iter().map(|panel| panel.name.as_str()).collect();
    assert_eq!(
        names,
        [
            "heat",
            "elsewhere",
            "clock",
            "voltage",
            "power",
            "rate",
            "fans"
        ]
    );
    golden("chart-heat.svg", &as_document(&panels[0].picture));
    golden("chart-clock.svg", &as_document(&panels[2].picture));
    golden("chart-stages.svg", &as_document(&stage_bar(&record)));
    golden(
        "chart-memory.svg",
        &as_document(&memory_map(&record).unwrap()),
    );
}

/// Points of the first path of `class`, in tenths of units.
fn drawn(picture: &str, class: &str) -> Vec<Vec<(i64, i64)>> {
    let (_, rest) = picture
        .split_once(&format!("<path class=\"{class}\""))
        .unwrap();
    let (_, rest) = rest.split_once(" d=\"").unwrap();
    let (data, _) = rest.split_once('"').unwrap();
    let pieces = data.split('M').skip(1).map(|piece| {
        let (start, steps) = piece.split_once('l').unwrap();
        let figures = |text: &str| -> Vec<i64> {
            let spaced = text.replace('-', " -");
            spaced
                .split_whitespace()
                .map(|figure| figure.parse().unwrap())
                .collect()
        };
        let start = figures(start);
        let mut at = (start[0], start[1]);
        let mut points = vec![at];
        for step in figures(steps).chunks(2) {
            at = (at.0 + step[0], at.1 + step[1]);
            points.push(at);
        }
        points
    });
    pieces.collect()
}

#[test]
fn the_hottest_second_is_the_highest_point_of_the_thick_line() {
    let record = short().record();
    let picture = &panels(&record)[0].picture;
    let start = record.header.started.mono;
    let length = record.last_known().seconds_since(start);
    let (t, _) = record
        .samples
        .iter()
        .filter_map(|sample| {
            let (_, celsius) = record.header.hottest_of_processor(sample)?;
            Some((sample.at.mono.seconds_since(start), celsius))
        })
        .reduce(|best, next| if next.1 > best.1 { next } else { best })
        .unwrap();
    let points = drawn(picture, "strong").concat();
    let (x, _) = points.iter().min_by_key(|point| point.1).unwrap();
    // The chart's inner width is 606 units, its left edge is at 50.
    #[expect(clippy::cast_possible_truncation, reason = "a place on a page")]
    let expected = ((50.0 + t / length * 606.0) * 10.0).round() as i64;
    assert!((x - expected).abs() <= 1, "{x} instead of {expected}");
}

#[test]
fn a_blind_stretch_is_a_hole_in_the_line_of_that_thermometer() {
    let whole = panels(&short().record());
    let blind = Night {
        blind: Some((200, 260)),
        ..short()
    };
    let holed = panels(&blind.record());
    assert_eq!(drawn(&whole[0].picture, "faint").len(), 1);
    assert_eq!(drawn(&holed[0].picture, "faint").len(), 2);
    // The others went on, so the hottest has none.
    assert_eq!(drawn(&holed[0].picture, "strong").len(), 1);
}

#[test]
fn runs_laid_over_each_other_share_one_axis() {
    let one = short().record();
    let other = Night {
        cooler: 0.30,
        ..short()
    }
    .record();
    let panels = overlays(&[("A".to_owned(), &one), ("B".to_owned(), &other)]);
    let names: Vec<&str> = panels.iter().map(|panel| panel.name.as_str()).collect();
    assert_eq!(names, ["heat", "clock", "voltage", "power"]);
    let highest = |row: &[String]| row[3].parse::<f64>().unwrap();
    let rows = &panels[0].rows;
    assert!(highest(&rows[0]) > highest(&rows[1]) + 4.0, "{rows:?}");
    for class in ["apart a0", "apart a1"] {
        assert!(panels[0].picture.contains(class));
    }
}

#[test]
fn a_run_without_a_sample_has_no_chart_and_no_panic() {
    let (header, _) = short().entries();
    let record = soakproof::model::Record::new(header);
    assert!(panels(&record).is_empty());
    assert!(memory_map(&record).is_none());
    assert!(stage_bar(&record).contains("<svg"));
}
