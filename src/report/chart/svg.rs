//! Writing SVG (W3C, Scalable Vector Graphics 1.1): the only door for text of a picture, which escapes
//! what could end it.

use std::fmt::Write as _;

use super::super::page::escape;
use super::STYLE;
use super::reduce::Point;

/// A foreign text as text or attribute of XML: control characters shown, markup taken away.
pub(super) fn safe(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in escape(text).chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            // No characters of XML 1.0, section 2.2.
            '\u{fffe}' | '\u{ffff}' => out.push('\u{fffd}'),
            c => out.push(c),
        }
    }
    out
}

/// A picture under construction.
#[derive(Debug)]
pub(super) struct Svg {
    text: String,
}

impl Svg {
    /// A picture of `width` by `height` units, told to screen readers by `title` and `about`. `name` is
    /// unique on its page and of letters, digits and `-`.
    pub(super) fn new(
        name: &str,
        (width, height): (f64, f64),
        (title, about): (&str, &str),
    ) -> Self {
        let mut svg = Self {
            text: String::new(),
        };
        svg.put(&format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"chart\" viewBox=\"0 0 {} {}\" role=\"img\" \
             aria-labelledby=\"{name}-t {name}-d\">\n<title id=\"{name}-t\">{}</title>\n\
             <desc id=\"{name}-d\">{}</desc>\n",
            short(width),
            short(height),
            safe(title),
            safe(about)
        ));
        svg
    }

    /// Puts markup in as it is.
    pub(super) fn put(&mut self, markup: &str) {
        self.text.push_str(markup);
    }

    pub(super) fn line(&mut self, class: &str, from: Point, to: Point) {
        let ((x1, y1), (x2, y2)) = (from, to);
        let (x1, y1, x2, y2) = (short(x1), short(y1), short(x2), short(y2));
        self.put(&format!(
            "<line class=\"{class}\" x1=\"{x1}\" y1=\"{y1}\" x2=\"{x2}\" y2=\"{y2}\"/>\n"
        ));
    }

    pub(super) fn rect(&mut self, class: &str, (x, y): Point, (width, height): (f64, f64)) {
        let (x, y, width, height) = (short(x), short(y), short(width), short(height));
        self.put(&format!(
            "<rect class=\"{class}\" x=\"{x}\" y=\"{y}\" width=\"{width}\" height=\"{height}\"/>\n"
        ));
    }

    /// Text whose class says how it stands (`start`, `middle`, `end`).
    pub(super) fn words(&mut self, class: &str, (x, y): Point, words: &str) {
        let (x, y) = (short(x), short(y));
        let words = safe(words);
        self.put(&format!(
            "<text class=\"{class}\" x=\"{x}\" y=\"{y}\">{words}</text>\n"
        ));
    }

    /// A broken line through each of `pieces`, already in units of the picture, to a tenth of one.
    pub(super) fn path(&mut self, class: &str, pieces: &[Vec<Point>]) {
        let mut data = String::new();
        for piece in pieces {
            draw_piece(&mut data, piece);
        }
        if !data.is_empty() {
            self.put(&format!(
                "<path class=\"{class}\" transform=\"scale(.1)\" d=\"{data}\"/>\n"
            ));
        }
    }

    pub(super) fn finish(mut self) -> String {
        self.text.push_str("</svg>");
        self.text
    }
}

/// Steps from point to point as whole tenths: half the bytes of absolute figures.
fn draw_piece(data: &mut String, piece: &[Point]) {
    let tenths = |value: f64| -> i32 {
        #[expect(clippy::cast_possible_truncation, reason = "a float cast saturates")]
        let tenths = (value * 10.0).round() as i32;
        tenths
    };
    let mut at = None;
    for (x, y) in piece {
        let (x, y) = (tenths(*x), tenths(*y));
        let _infallible = match at {
            None => write!(data, "M{x} {y}l"),
            Some(before) if before == (x, y) => continue,
            Some((left, top)) => {
                let (dx, dy): (i32, i32) = (x - left, y - top);
                let space = if data.ends_with('l') || dx < 0 {
                    ""
                } else {
                    " "
                };
                let between = if dy < 0 { "" } else { " " };
                write!(data, "{space}{dx}{between}{dy}")
            }
        };
        at = Some((x, y));
    }
    // A single point is drawn as a dot by a round cap.
    if data.ends_with('l') {
        data.push_str("0 0");
    }
}

/// A figure with at most one decimal.
pub(super) fn short(value: f64) -> String {
    super::super::units::figure(value, 1)
}

/// A picture as a file of its own, with its style.
pub fn as_document(picture: &str) -> String {
    let style = format!("<style>\n{STYLE}</style>\n");
    let head = "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n";
    match picture.split_once(">\n") {
        Some((open, rest)) => format!("{head}{open}>\n{style}{rest}\n"),
        None => format!("{head}{picture}\n"),
    }
}
