//! Options are declared once: a field's meaning, default, range, unit and what a larger value does
//! stand in one place, from which come the docs, `Default`, the check of ranges, the comments in
//! TOML files, Python's docstrings and signatures, and the reference.

use crate::error::Result;
use serde::Serialize;
use std::fmt::Write;

/// What is declared of an option.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct OptionDoc {
    /// Name of the field.
    pub name: &'static str,
    /// What it means.
    pub meaning: &'static str,
    /// Least and greatest value, if it has fixed ones.
    pub range: Option<(f64, f64)>,
    /// Unit of the range.
    pub unit: &'static str,
    /// What a larger value does, for numbers.
    pub larger: &'static str,
    /// The options inside it, where it is a record of its own.
    pub inside: &'static [OptionDoc],
}

/// A record of options.
///
/// ```
/// use vatwright::{options::Options, passes::Raft};
/// let lift = Raft::OPTIONS.iter().find(|o| o.name == "lift_mm").unwrap();
/// assert!(lift.prose().contains("From 0 to 100 mm"));
/// assert!(Raft { lift_mm: -1.0, ..Raft::default() }.check_ranges().is_err());
/// ```
pub trait Options: Serialize + Default {
    /// What the record is, for people.
    const ABOUT: &'static str;
    /// Its fields in order.
    const OPTIONS: &'static [OptionDoc];

    /// Holds every number against its fixed range.
    ///
    /// # Errors
    /// [`Error::Value`](crate::Error::Value) naming the first that is outside.
    fn check_ranges(&self) -> Result<()>;
}

/// A field that may hold a number.
pub(crate) trait Ranged {
    /// The number, if there is one.
    fn number(&self) -> Option<f64>;
}

macro_rules! ranged {
    ($($kind:ty),*) => {
        $(impl Ranged for $kind {
            fn number(&self) -> Option<f64> {
                Some(*self as f64)
            }
        })*
    };
}
ranged!(f64, u32, u64);

impl<T: Ranged> Ranged for Option<T> {
    fn number(&self) -> Option<f64> {
        self.as_ref().and_then(Ranged::number)
    }
}

/// Declares a record of options: `field: type = default, in least..=greatest "unit", larger "what a
/// larger value does";`. Ranges that depend on other fields are checked by the record itself.
macro_rules! options {
    (
        $(#[doc = $about:literal])+
        $(#[derive($($derive:ident),*)])?
        pub struct $name:ident at $place:literal {
            $(
                $(#[doc = $doc:literal])+
                $field:ident: $kind:ty = $default:expr
                    $(, in $lo:literal..=$hi:literal $unit:literal)?
                    $(, larger $larger:literal)?
                    $(, of $inside:ty)?
                ;
            )*
        }
    ) => {
        $(#[doc = $about])+
        #[derive(Clone, Debug, PartialEq, serde::Serialize, serde::Deserialize, $($($derive),*)?)]
        #[serde(default, deny_unknown_fields)]
        pub struct $name {
            $(
                $(#[doc = $doc])+
                #[doc = ""]
                $(#[doc = concat!("From ", $lo, " to ", $hi, " ", $unit, ".")])?
                #[doc = concat!("Default: `", stringify!($default), "`.")]
                $(#[doc = concat!("Larger: ", $larger, ".")])?
                pub $field: $kind,
            )*
        }

        impl Default for $name {
            fn default() -> $name {
                $name { $($field: $default),* }
            }
        }

        impl $crate::options::Options for $name {
            const ABOUT: &'static str = concat!($($about, "\n"),+);
            const OPTIONS: &'static [$crate::options::OptionDoc] = &[
                $($crate::options::OptionDoc {
                    name: stringify!($field),
                    meaning: concat!($($doc, "\n"),+),
                    range: $crate::options::options!(@range $($lo $hi)?),
                    unit: concat!("", $($unit)?),
                    larger: concat!("", $($larger)?),
                    inside: $crate::options::options!(@inside $($inside)?),
                }),*
            ];

            fn check_ranges(&self) -> $crate::error::Result<()> {
                $($(
                    if let Some(value) = $crate::options::Ranged::number(&self.$field) {
                        let place = concat!($place, ".", stringify!($field));
                        $crate::error::check_range(place, value, $lo, $hi, $unit)?;
                    }
                )?)*
                Ok(())
            }
        }
    };
    (@range $lo:literal $hi:literal) => { Some(($lo, $hi)) };
    (@range) => { None };
    (@inside $inside:ty) => { <$inside as $crate::options::Options>::OPTIONS };
    (@inside) => { &[] };
}
pub(crate) use options;

/// A doc comment as plain prose: one line, links as their words, without its example.
pub fn prose(doc: &str) -> String {
    let text = doc.split("```").next().unwrap_or_default();
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    let mut out = String::new();
    let mut rest = text.as_str();
    while let Some((before, link)) = rest.split_once("[`") {
        let (word, after) = link.split_once("`]").unwrap_or((link, ""));
        let target = after.strip_prefix('(').and_then(|a| a.split_once(')'));
        let _ = write!(out, "{before}`{word}`");
        rest = target.map_or(after, |(_, after)| after);
    }
    out + rest
}

impl OptionDoc {
    /// Meaning, range and what a larger value does, in one paragraph.
    pub fn prose(&self) -> String {
        let mut out = prose(self.meaning);
        if let Some((lo, hi)) = self.range {
            let _ = write!(out, " From {lo} to {hi}");
            if !self.unit.is_empty() {
                let _ = write!(out, " {}", self.unit);
            }
            out.push('.');
        }
        if !self.larger.is_empty() {
            let _ = write!(out, " Larger: {}.", self.larger);
        }
        out
    }
}

/// Names and words of options that were renamed, old and new.
const RENAMED: &[(&str, &str)] =
    &[("pad", "solid"), ("separation_exponent", "separation_speed_exponent")];

/// What to do about a file that cannot be read: the new name where an old one stands in it.
pub(crate) fn remedy(problem: &str, otherwise: &str) -> String {
    // What serde says of a name that it does not know.
    let unknown = ["unknown field `", "unknown variant `"]
        .iter()
        .find_map(|start| problem.split_once(start)?.1.split('`').next());
    let renamed = RENAMED.iter().find(|(old, _)| Some(*old) == unknown);
    renamed.map_or(otherwise.into(), |(old, new)| format!("`{old}` is called `{new}` now"))
}

/// A TOML text in which keys that begin a line have the names that they have now, so that files of
/// earlier versions are read.
pub(crate) fn renamed(text: &str) -> String {
    let now = |line: &str| {
        let (key, value) = line.split_once('=')?;
        let (_, new) = RENAMED.iter().find(|(old, _)| *old == key.trim())?;
        Some(format!("{new} ={value}"))
    };
    text.split_inclusive('\n').map(|l| now(l).unwrap_or_else(|| l.into())).collect()
}

/// A record as a TOML table.
pub(crate) fn table(options: &impl Serialize) -> toml::Table {
    toml::Table::try_from(options).expect("options hold numbers, words and lists of them")
}

/// Columns of a comment in a TOML file.
const COLUMNS: usize = 96;

/// Appends text as TOML comments.
pub(crate) fn comment(out: &mut String, text: &str) {
    let mut line = String::from("#");
    for word in text.split(' ') {
        if line.len() > 1 && line.chars().count() + 1 + word.chars().count() > COLUMNS {
            let _ = writeln!(out, "{line}");
            line = String::from("#");
        }
        line.push(' ');
        line.push_str(word);
    }
    let _ = writeln!(out, "{line}");
}

/// Appends the fields of a record as TOML, a comment above each; records inside it become tables
/// under `path`. What is not set stands there as a comment, ready to be filled in.
pub(crate) fn commented(out: &mut String, path: &str, table: &toml::Table, options: &[OptionDoc]) {
    let (inner, plain): (Vec<&OptionDoc>, Vec<&OptionDoc>) = options
        .iter()
        .partition(|o| table.get(o.name).is_some_and(|v| v.is_table() && !o.inside.is_empty()));
    let (maps, plain): (Vec<&OptionDoc>, Vec<&OptionDoc>) =
        plain.into_iter().partition(|o| table.get(o.name).is_some_and(toml::Value::is_table));
    for (name, value) in table.iter().filter(|(n, _)| options.iter().all(|o| o.name != *n)) {
        let _ = writeln!(out, "{name} = {value}");
    }
    for option in plain {
        comment(out, &option.prose());
        let _ = match table.get(option.name) {
            Some(value) => writeln!(out, "{} = {value}", option.name),
            None => writeln!(out, "# {} =", option.name),
        };
    }
    for option in inner {
        let path =
            if path.is_empty() { option.name.into() } else { format!("{path}.{}", option.name) };
        out.push('\n');
        comment(out, &option.prose());
        let _ = writeln!(out, "[{path}]");
        if let Some(toml::Value::Table(table)) = table.get(option.name) {
            commented(out, &path, table, option.inside);
        }
    }
    // What a user may put in freely: tables of their own.
    for option in maps {
        out.push('\n');
        comment(out, &option.prose());
        for (name, value) in table[option.name].as_table().into_iter().flatten() {
            let _ = writeln!(out, "[{}.{name}]", option.name);
            for (name, value) in value.as_table().into_iter().flatten() {
                let _ = writeln!(out, "{name} = {value}");
            }
        }
    }
}
