//! Puts a view into a buffer: three answers on top, the ladder of stages, the last minutes, the cores, what
//! was found, and the keys.

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::{Color, Modifier, Style};

use super::cores::{CELL, HEAD, by_need, cell, folded};
use super::trend::Trend;
use super::view::{LiveView, Rung};
use crate::model::{Grade, Wall};
use crate::report::page::{escape, wrap};
use crate::report::units::{counted, figure, span, time_of_day};

/// Least columns and rows that are drawn into.
pub const LEAST_SIZE: (u16, u16) = (60, 16);
/// Columns of labels.
const LABEL: u16 = 9;
/// Samples over which a rise is told.
const RISE: usize = 60;

/// What stands in the last line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Question {
    /// The keys.
    #[default]
    None,
    /// Whether the run shall end.
    Stop,
    /// That it cannot be ended from here.
    NotHere,
}

/// How it is looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Look {
    /// Colour may be used.
    pub colour: bool,
    /// The terminal knows more than ASCII.
    pub unicode: bool,
    /// Rows of CPUs that are above the shown ones.
    pub cores_from: usize,
    /// Lines of news that are below the shown ones.
    pub news_from: usize,
    /// Arrow keys move through what was found, rather than the cores.
    pub in_news: bool,
    /// What stands in the last line.
    pub question: Question,
}

/// A buffer with a place to write to.
struct Sheet<'b> {
    buffer: &'b mut Buffer,
    area: Rect,
    look: Look,
}

impl Sheet<'_> {
    fn put(&mut self, (x, y): (u16, u16), text: &str, style: Style) {
        if y < self.area.height && x < self.area.width {
            let room = usize::from(self.area.width - x);
            let (x, y) = (self.area.x + x, self.area.y + y);
            self.buffer.set_stringn(x, y, text, room, style);
        }
    }

    fn bold(&self) -> Style {
        Style::new().add_modifier(Modifier::BOLD)
    }

    fn tone(&self, colour: Color) -> Style {
        if self.look.colour {
            self.bold().fg(colour)
        } else {
            self.bold()
        }
    }

    fn marked(&self, bad: bool) -> Style {
        if bad {
            self.tone(Color::Red)
        } else {
            Style::new()
        }
    }

    /// A labelled line.
    fn say(&mut self, y: u16, label: &str, (text, style): (&str, Style)) {
        self.put((0, y), label, self.bold());
        self.put((LABEL, y), text, style);
    }

    /// A rule with a name in it.
    fn rule(&mut self, y: u16, name: &str, chosen: bool) {
        let dash = if self.look.unicode { "\u{2500}" } else { "-" };
        let mark = if chosen { ">" } else { dash };
        let mut text = format!("{dash}{mark} {name} ");
        let length = text.chars().count();
        let rest = usize::from(self.area.width).saturating_sub(length);
        text.push_str(&dash.repeat(rest));
        let style = Style::new().add_modifier(Modifier::DIM);
        self.put((0, y), &text, style);
    }
}

/// How many rows each part gets.
struct Rows {
    ladder: u16,
    cores: u16,
    news: u16,
}

impl Rows {
    /// What cores leave over, because there are few of them, goes to what was found.
    fn of((width, height): (u16, u16), view: &LiveView) -> Self {
        // One title, three answers, three rules, three trends, the keys.
        let rest = height.saturating_sub(11);
        let rungs = u16::try_from(view.rungs.len()).unwrap_or(u16::MAX);
        let ladder = rungs.min(rest / 3).max(1);
        let least_news = (rest / 4).max(1);
        let columns = (usize::from(width) / CELL).max(1);
        let needed = view.rows.len().div_ceil(columns) + 1;
        let needed = u16::try_from(needed).unwrap_or(u16::MAX);
        let cores = needed.min(rest.saturating_sub(ladder + least_news));
        Self {
            ladder,
            cores,
            news: rest.saturating_sub(ladder + cores),
        }
    }
}

/// Draws `view` into `area` of `buffer`.
pub fn draw(view: &LiveView, look: Look, area: Rect, buffer: &mut Buffer) {
    let mut sheet = Sheet { buffer, area, look };
    if area.width < LEAST_SIZE.0 || area.height < LEAST_SIZE.1 {
        sheet.put((0, 0), "the window is too small", Style::new());
        return;
    }
    let rows = Rows::of((area.width, area.height), view);
    draw_title(&mut sheet, view);
    draw_answers(&mut sheet, view);
    let mut y = 4;
    sheet.rule(y, "stages", false);
    draw_ladder(&mut sheet, view, (y + 1, rows.ladder));
    y += 1 + rows.ladder;
    draw_trends(&mut sheet, view, y);
    y += 3;
    let name = if view.rows.is_empty() {
        "cores".to_owned()
    } else {
        format!("cores, {}", view.rows.len())
    };
    sheet.rule(y, &name, !look.in_news);
    draw_cores(&mut sheet, view, (y + 1, rows.cores));
    y += 1 + rows.cores;
    let seen = u64::try_from(view.news.len() + view.unseen_news).unwrap_or(u64::MAX);
    let found = counted(view.events(), "event", "events");
    let name = format!("found: {}, {found}", counted(seen, "line", "lines"));
    sheet.rule(y, &name, look.in_news);
    draw_news(&mut sheet, view, (y + 1, rows.news));
    draw_keys(&mut sheet, area.height - 1);
}

fn draw_title(sheet: &mut Sheet<'_>, view: &LiveView) {
    let header = view.header();
    let simulated = if header.machine.simulated {
        " (simulated machine)"
    } else {
        ""
    };
    let suite = escape(&header.plan.suite);
    let host = escape(&header.machine.host);
    let title = format!("run {}: {suite} on {host}{simulated}", view.number);
    sheet.put((0, 0), &title, sheet.bold());
    let passed = view.now.since(header.started.mono).as_millis();
    let wall = Wall(header.started.wall.0 + i64::try_from(passed).unwrap_or(0));
    let clock = time_of_day(wall, &view.style().zone);
    let x = sheet.area.width.saturating_sub(9);
    sheet.put((x, 0), &format!(" {clock}"), Style::new());
}

/// Will it pass, how long still, what is the hottest thing.
fn draw_answers(sheet: &mut Sheet<'_>, view: &LiveView) {
    let outlook = &view.outlook;
    let because = outlook.because.as_ref();
    let because = because.map_or_else(String::new, |words| format!(": {}", escape(words)));
    let (words, colour) = match outlook.best {
        Grade::Proven => ("nothing against it".to_owned(), Color::Green),
        Grade::Provisional => (format!("provisional at best{because}"), Color::Cyan),
        Grade::Marginal => (format!("marginal at best{because}"), Color::Yellow),
        Grade::Failed => (format!("NO, it has failed{because}"), Color::Red),
        Grade::Inconclusive => ("too early to say".to_owned(), Color::Magenta),
    };
    let claim = match (&outlook.best, view.claim()) {
        (Grade::Proven, Some(claim)) => format!("; {claim}"),
        _ => String::new(),
    };
    let tone = sheet.tone(colour);
    sheet.say(1, "pass?", (&format!("{words}{claim}"), tone));
    let (stage_left, left) = view.left();
    let of = span(view.header().plan.length().as_secs_f64());
    let words = match &view.ended {
        Some(words) => format!("{}; the verdict comes next", escape(words)),
        None => format!(
            "{} of {of}, {} of this stage",
            span(left.as_secs_f64()),
            span(stage_left.as_secs_f64())
        ),
    };
    sheet.say(2, "left", (&words, Style::new()));
    let (words, style) = hottest(sheet, view);
    sheet.say(3, "hottest", (&words, style));
}

fn hottest(sheet: &Sheet<'_>, view: &LiveView) -> (String, Style) {
    let Some((label, celsius)) = &view.hottest else {
        let words = "no thermometer of the processor can be read".to_owned();
        return (words, sheet.tone(Color::Yellow));
    };
    let limit = view.header().plan.heat.judged_c;
    let room = limit - celsius;
    let beside = if room >= 0.0 {
        format!(
            "{} C under the limit of {} C",
            figure(room, 1),
            figure(limit, 0)
        )
    } else {
        format!("OVER the limit of {} C", figure(limit, 0))
    };
    let period = view.header().plan.sample_period.as_secs_f64();
    let rise = view.heat.slope_a_minute(RISE, period);
    let rise = rise.map_or_else(String::new, |rise| match rise {
        rise if rise.abs() < 0.3 => ", level".to_owned(),
        rise if rise < 0.0 => format!(", falling {} C a minute", figure(-rise, 1)),
        rise => format!(", rising {} C a minute", figure(rise, 1)),
    });
    let style = if room < 0.0 {
        sheet.tone(Color::Red)
    } else if room < view.header().plan.heat.margin_c {
        sheet.tone(Color::Yellow)
    } else {
        Style::new()
    };
    (
        format!("{label} {} C, {beside}{rise}", figure(*celsius, 1)),
        style,
    )
}

/// The stage under way in the middle, what was and what comes around it.
fn draw_ladder(sheet: &mut Sheet<'_>, view: &LiveView, (y, rows): (u16, u16)) {
    let rows = usize::from(rows);
    let first = view
        .stage
        .saturating_sub(1)
        .min(view.rungs.len().saturating_sub(rows));
    let shown = view.rungs.iter().enumerate().skip(first).take(rows);
    for (place, (index, rung)) in (0_u16..).zip(shown) {
        let now = index == view.stage && !rung.whole;
        let (state, words) = rung_words(view, rung, now);
        let style = if now { sheet.bold() } else { Style::new() };
        let name: String = rung.name.chars().take(24).collect();
        let text = format!("{:>2} {name:<24} {words}", index + 1);
        sheet.put((0, y + place), state, style);
        sheet.put((6, y + place), &text, style);
    }
}

fn rung_words(view: &LiveView, rung: &Rung, now: bool) -> (&'static str, String) {
    let length = span(rung.length.as_secs_f64());
    if rung.whole {
        return ("done", length);
    }
    let Some(begun) = rung.begun.filter(|_| now) else {
        return ("next", length);
    };
    let passed = view.now.since(begun).as_secs_f64();
    let share = (passed / rung.length.as_secs_f64().max(0.001)).clamp(0.0, 1.0);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "0 to 20"
    )]
    let filled = (share * 20.0).round() as usize;
    let bar = format!("[{}{}]", "#".repeat(filled), ".".repeat(20 - filled));
    (
        "now >",
        format!("{bar} {:>3.0}% of {length}", share * 100.0),
    )
}

fn draw_trends(sheet: &mut Sheet<'_>, view: &LiveView, y: u16) {
    let trends: [(&str, &Trend, &str, usize); 3] = [
        ("hottest", &view.heat, "C", 1),
        ("slowest", &view.clock, "MHz", 0),
        ("power", &view.power, "W", 0),
    ];
    for (place, (label, trend, unit, decimals)) in (0_u16..).zip(trends) {
        let now = trend.last().map_or_else(
            || "not seen".to_owned(),
            |value| format!("{} {unit}", figure(value, decimals)),
        );
        let around = trend.span().map_or_else(String::new, |(low, high)| {
            format!("{} to {}", figure(low, decimals), figure(high, decimals))
        });
        let width = usize::from(sheet.area.width).saturating_sub(38);
        let bars = trend.bars(width, sheet.look.unicode);
        sheet.say(y + place, label, (&format!("{now:<10}"), Style::new()));
        let tone = if sheet.look.colour {
            Style::new().fg(Color::Blue)
        } else {
            Style::new()
        };
        sheet.put((LABEL + 11, y + place), &bars, tone);
        let x = sheet.area.width.saturating_sub(17);
        sheet.put((x, y + place), &format!(" {around:>16}"), Style::new());
    }
}

fn draw_cores(sheet: &mut Sheet<'_>, view: &LiveView, (y, rows): (u16, u16)) {
    let columns = (usize::from(sheet.area.width) / CELL).max(1);
    let room = usize::from(rows);
    let fits = view.rows.len() <= columns * room.saturating_sub(1);
    let mut lines: Vec<(String, bool)> = Vec::new();
    if !fits {
        lines = folded(&view.rows, usize::from(sheet.area.width));
        lines.truncate(room.saturating_sub(2));
    }
    for (place, (text, bad)) in (0_u16..).zip(&lines) {
        sheet.put((0, y + place), text, sheet.marked(*bad));
    }
    let used = u16::try_from(lines.len()).unwrap_or(u16::MAX);
    let head_style = Style::new().add_modifier(Modifier::DIM);
    for column in (0_u16..).take(columns) {
        let x = column * u16::try_from(CELL).unwrap_or(u16::MAX);
        sheet.put((x, y + used), HEAD, head_style);
    }
    let sorted = if fits {
        view.rows.iter().collect()
    } else {
        by_need(&view.rows)
    };
    let rows = room.saturating_sub(lines.len() + 1);
    let all_rows = sorted.len().div_ceil(columns);
    let from = sheet.look.cores_from.min(all_rows.saturating_sub(rows)) * columns;
    let shown = sorted.iter().skip(from).take(rows * columns);
    for (place, row) in shown.enumerate() {
        let (text, bad) = cell(row);
        let x = u16::try_from(place % columns * CELL).unwrap_or(u16::MAX);
        let down = u16::try_from(place / columns).unwrap_or(u16::MAX);
        sheet.put((x, y + used + 1 + down), &text, sheet.marked(bad));
    }
}

/// The newest last, as people read; a line that is too long goes on below.
fn draw_news(sheet: &mut Sheet<'_>, view: &LiveView, (y, rows): (u16, u16)) {
    if view.news.is_empty() {
        sheet.put((0, y), "nothing so far", Style::new());
        return;
    }
    let rows = usize::from(rows);
    let width = usize::from(sheet.area.width).saturating_sub(2);
    let mut lines: Vec<(String, bool)> = Vec::new();
    for news in &view.news {
        for (number, part) in wrap(&news.words, width).into_iter().enumerate() {
            let indent = if number == 0 { "" } else { "  " };
            lines.push((format!("{indent}{part}"), news.finding.is_some()));
        }
    }
    let hidden = sheet.look.news_from.min(lines.len().saturating_sub(rows));
    let end = lines.len() - hidden;
    let shown = &lines[end.saturating_sub(rows)..end];
    for (place, (line, finding)) in (0_u16..).zip(shown) {
        sheet.put((0, y + place), line, sheet.marked(*finding));
    }
}

fn draw_keys(sheet: &mut Sheet<'_>, y: u16) {
    let (text, style) = match sheet.look.question {
        Question::None => (
            "s stop   arrows scroll   Tab cores or found   it makes heat and draws power",
            Style::new().add_modifier(Modifier::DIM),
        ),
        Question::Stop => (
            "End the run now, with a verdict on what there is?   y yes   n no",
            sheet.bold().add_modifier(Modifier::REVERSED),
        ),
        Question::NotHere => (
            "It was started elsewhere; end it there.   any key",
            sheet.bold().add_modifier(Modifier::REVERSED),
        ),
    };
    sheet.put((0, y), text, style);
}
