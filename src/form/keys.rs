//! Reading one table of a file: known keys only, each of the right kind, mistakes collected.
//!
//! The file is read by hand instead of by derive, because derived readers stop at the first mistake
//! and say what the format wants, not what the person could write.

use std::ops::Range;
use std::path::PathBuf;
use std::time::Duration;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::duration::{parse_duration, render_duration};
use super::problem::{Draft, hint, nearest};

/// A table whose keys were checked.
#[derive(Debug, Clone)]
pub(crate) struct Keys<'a, 't> {
    table: &'a DeTable<'t>,
    /// Known keys that a misspelt one probably means.
    meant: Vec<String>,
}

/// A value with its place.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct At<T> {
    pub(crate) value: T,
    pub(crate) span: Range<usize>,
}

impl<'a, 't> Keys<'a, 't> {
    /// Takes a table and reports keys that are not in `known`.
    pub(crate) fn open(
        draft: &mut Draft<'_>,
        table: &'a DeTable<'t>,
        what: &str,
        known: &[&str],
    ) -> Self {
        let mut meant = Vec::new();
        for key in table.keys() {
            let name = key.get_ref().as_ref();
            if !known.contains(&name) {
                let hint = hint(name, known);
                meant.extend(nearest(name, known.iter().copied()).map(str::to_string));
                draft.report(
                    &key.span(),
                    format!("unknown key `{name}` in {what}; {hint}"),
                );
            }
        }
        Self { table, meant }
    }

    /// True when a key is missing and was not misspelt either, which is told already.
    pub(crate) fn lacks(&self, key: &str) -> bool {
        self.get(key).is_none() && !self.meant.iter().any(|meant| meant == key)
    }

    pub(crate) fn get(&self, key: &str) -> Option<&'a Spanned<DeValue<'t>>> {
        let mut entries = self.table.iter();
        let entry = entries.find(|(name, _)| name.get_ref().as_ref() == key);
        entry.map(|(_, value)| value)
    }

    /// A string.
    pub(crate) fn text(&self, draft: &mut Draft<'_>, key: &str, form: &str) -> Option<At<&'a str>> {
        let value = self.get(key)?;
        let span = value.span();
        if let DeValue::String(text) = value.get_ref() {
            return Some(At {
                value: text.as_ref(),
                span,
            });
        }
        let kind = value.get_ref().type_str();
        draft.report(
            &span,
            format!("`{key}` must be a text {form} (found: {kind})"),
        );
        None
    }

    /// A path that means the same wherever the program is started.
    pub(crate) fn path(&self, draft: &mut Draft<'_>, key: &str) -> Option<PathBuf> {
        let written = self.text(draft, key, "with a path")?;
        let path = PathBuf::from(written.value);
        if !path.is_absolute() {
            let message = format!(
                "`{key}` is `{}`; it must be a whole path that begins with `/`: a service has no \
                 folder of its own",
                written.value
            );
            draft.report(&written.span, message);
            return None;
        }
        Some(path)
    }

    /// A length of time within limits.
    pub(crate) fn time(
        &self,
        draft: &mut Draft<'_>,
        key: &str,
        (least, most): (Duration, Duration),
    ) -> Option<At<Duration>> {
        let written = self.text(draft, key, "like `\"20s\"` or `\"1h30min\"`")?;
        let span = written.span;
        match parse_duration(written.value) {
            Ok(value) if value >= least && value <= most => Some(At { value, span }),
            Ok(_) => {
                let text = written.value;
                let (least, most) = (render_duration(least), render_duration(most));
                let range = format!("it must be from {least} to {most}");
                draft.report(&span, format!("`{key}` is `{text}`; {range}"));
                None
            }
            Err(error) => {
                draft.report(&span, format!("`{key}`: {error}"));
                None
            }
        }
    }

    /// A number, written with or without a fraction, within limits.
    pub(crate) fn number(
        &self,
        draft: &mut Draft<'_>,
        key: &str,
        (least, most): (f64, f64),
    ) -> Option<At<f64>> {
        let value = self.get(key)?;
        let span = value.span();
        let number = match value.get_ref() {
            DeValue::Float(float) => float.as_str().parse::<f64>().ok(),
            DeValue::Integer(integer) if integer.radix() == 10 => integer.as_str().parse().ok(),
            DeValue::Integer(_)
            | DeValue::String(_)
            | DeValue::Boolean(_)
            | DeValue::Datetime(_)
            | DeValue::Array(_)
            | DeValue::Table(_) => None,
        };
        match number {
            Some(value) if value >= least && value <= most => Some(At { value, span }),
            Some(_) | None => {
                let range = format!("`{key}` must be a number from {least} to {most}");
                draft.report(&span, range);
                None
            }
        }
    }

    /// A whole number within limits.
    pub(crate) fn whole(
        &self,
        draft: &mut Draft<'_>,
        key: &str,
        (least, most): (u64, u64),
    ) -> Option<At<u64>> {
        let value = self.get(key)?;
        let span = value.span();
        let number = read_whole(value.get_ref()).filter(|number| (least..=most).contains(number));
        if number.is_none() {
            let range = format!("`{key}` must be a whole number from {least} to {most}");
            draft.report(&span, range);
        }
        number.map(|value| At { value, span })
    }

    /// `true` or `false`.
    pub(crate) fn flag(&self, draft: &mut Draft<'_>, key: &str) -> Option<At<bool>> {
        let value = self.get(key)?;
        let span = value.span();
        let flag = value.get_ref().as_bool();
        if flag.is_none() {
            let kind = value.get_ref().type_str();
            draft.report(
                &span,
                format!("`{key}` must be `true` or `false` (found: {kind})"),
            );
        }
        flag.map(|value| At { value, span })
    }

    /// One word out of a few.
    pub(crate) fn word<T: Copy>(
        &self,
        draft: &mut Draft<'_>,
        key: &str,
        words: &[(&str, T)],
    ) -> Option<At<T>> {
        let known: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
        let written = self.text(draft, key, "in quotes")?;
        let found = words.iter().find(|(word, _)| *word == written.value);
        if found.is_none() {
            let (text, hint) = (written.value, hint(written.value, &known));
            draft.report(&written.span, format!("unknown {key} `{text}`; {hint}"));
        }
        found.map(|(_, value)| At {
            value: *value,
            span: written.span,
        })
    }

    /// A list of texts with their places.
    pub(crate) fn texts(&self, draft: &mut Draft<'_>, key: &str) -> Option<Vec<At<&'a str>>> {
        let value = self.get(key)?;
        let DeValue::Array(items) = value.get_ref() else {
            let kind = value.get_ref().type_str();
            let message = format!("`{key}` must be a list of texts, `[\"...\"]` (found: {kind})");
            draft.report(&value.span(), message);
            return None;
        };
        let mut texts = Vec::new();
        for item in items.iter() {
            match item.get_ref().as_str() {
                Some(text) => texts.push(At {
                    value: text,
                    span: item.span(),
                }),
                None => draft.report(&item.span(), format!("`{key}` must hold texts in quotes")),
            }
        }
        Some(texts)
    }

    /// A table below this one.
    pub(crate) fn table(
        &self,
        draft: &mut Draft<'_>,
        key: &str,
    ) -> Option<(&'a DeTable<'t>, Range<usize>)> {
        let value = self.get(key)?;
        let table = value.get_ref().as_table();
        if table.is_none() {
            draft.report(&value.span(), format!("`{key}` must be a table, `[{key}]`"));
        }
        table.map(|table| (table, value.span()))
    }

    /// Tables in a row (`[[key]]`).
    pub(crate) fn tables(
        &self,
        draft: &mut Draft<'_>,
        key: &str,
        head: &str,
    ) -> Vec<(&'a DeTable<'t>, Range<usize>)> {
        let Some(value) = self.get(key) else {
            return Vec::new();
        };
        let Some(items) = value.get_ref().as_array() else {
            draft.report(
                &value.span(),
                format!("`{key}` must be written as `{head}` tables"),
            );
            return Vec::new();
        };
        let mut tables = Vec::new();
        for item in items.iter() {
            match item.get_ref().as_table() {
                Some(table) => tables.push((table, item.span())),
                None => draft.report(&item.span(), format!("`{key}` must hold `{head}` tables")),
            }
        }
        tables
    }
}

/// A whole decimal number, not negative.
pub(crate) fn read_whole(value: &DeValue<'_>) -> Option<u64> {
    let integer = value.as_integer()?;
    let decimal = integer.radix() == 10;
    decimal.then(|| integer.as_str().parse().ok()).flatten()
}
