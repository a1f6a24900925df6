//! One error type for everything that leaves no result; what physics objects to is a
//! [`Finding`](crate::Finding) instead.

use crate::codes::Explained;
use std::path::PathBuf;

/// Shorthand used by the whole crate.
pub type Result<T, E = Error> = std::result::Result<T, E>;

/// Why no result exists. Every message names the place, what is wrong and what to do.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// The operating system refused a read or a write.
    #[error("{}: cannot {action}: {source}", path.display())]
    Io {
        /// The file or folder.
        path: PathBuf,
        /// What was tried: "read", "write", …
        action: &'static str,
        /// The system's own error.
        source: std::io::Error,
    },
    /// A file does not hold what its format promises.
    #[error("{}: {place}: {problem}; {remedy}", path.display())]
    Format {
        /// The file.
        path: PathBuf,
        /// Line, byte or element.
        place: String,
        /// What is wrong there.
        problem: String,
        /// What the user can do.
        remedy: String,
    },
    /// A mesh breaks a rule that its type promises (finite coordinates, valid indices).
    #[error("mesh '{name}': {problem}; {remedy}")]
    Mesh {
        /// The mesh's name.
        name: String,
        /// What is wrong.
        problem: String,
        /// What the user can do.
        remedy: String,
    },
    /// A mesh does not enclose a volume and so cannot be printed as it is.
    #[error("'{name}' is not a closed solid: {problem}; {remedy}")]
    NotSolid {
        /// The mesh's name.
        name: String,
        /// What is wrong.
        problem: String,
        /// What the user can do.
        remedy: String,
    },
    /// A number or word given by the user is out of its range.
    #[error("{place} = {value} is outside {expected}")]
    Value {
        /// Dotted name of the option: `hollow.wall_mm`.
        place: String,
        /// What was given.
        value: String,
        /// What is allowed, with unit.
        expected: String,
    },
    /// A recipe or setup cannot be read.
    #[error("{place}: {problem}; {remedy}")]
    Config {
        /// File or section.
        place: String,
        /// What is wrong.
        problem: String,
        /// What the user can do.
        remedy: String,
    },
    /// Doing it would need more than a stated bound (memory, size, count).
    #[error("{place} would need {value} {unit}, more than the limit of {limit}; {remedy}")]
    Limit {
        /// What would grow too large.
        place: String,
        /// What it would need.
        value: f64,
        /// What is allowed.
        limit: f64,
        /// Unit of both.
        unit: &'static str,
        /// What the user can do.
        remedy: String,
    },
    /// A pass cannot work on what it was given.
    #[error("{pass} on '{part}': {problem}; {remedy}")]
    Pass {
        /// Name of the pass.
        pass: &'static str,
        /// Name of the part or plate.
        part: String,
        /// What is wrong.
        problem: String,
        /// What the user can do.
        remedy: String,
    },
    /// A structure of supports cannot carry its load: nothing holds it, or part of it is loose.
    #[error("{place}: {problem}; {remedy}")]
    Structure {
        /// The node, member or group.
        place: String,
        /// What is wrong.
        problem: String,
        /// What the user can do.
        remedy: String,
    },
    /// The user asked to stop.
    #[error("cancelled")]
    Cancelled,
}

macro_rules! table {
    ($($variant:ident $code:literal {
        meaning: $meaning:literal,
        cause: $cause:literal,
        remedy: $remedy:literal $(,)?
    })*) => {
        impl Error {
            /// What there is to know of every code, one per variant.
            pub const TABLE: &[Explained] = &[$(Explained {
                code: $code,
                severity: "no result exists",
                meaning: $meaning,
                cause: $cause,
                remedy: $remedy,
            }),*];

            /// Stable machine-readable code, one per variant.
            pub fn code(&self) -> &'static str {
                match self {
                    $(Error::$variant { .. } => $code,)*
                }
            }
        }
    };
}

table! {
    Io "io" {
        meaning: "The operating system refused a read or a write.",
        cause: "The path is wrong, the disk is full, or rights are missing.",
        remedy: "Mend what the system's own message names.",
    }
    Format "format" {
        meaning: "A file does not hold what its format promises.",
        cause: "It is damaged, cut short, or of another kind than its ending says.",
        remedy: "Export it again; the message names line, byte or element.",
    }
    Mesh "mesh" {
        meaning: "A mesh breaks a rule that its type promises: finite coordinates, valid indices.",
        cause: "It was made by faulty code or a damaged file.",
        remedy: "Mend the numbers that the message names.",
    }
    NotSolid "not_solid" {
        meaning: "A mesh does not enclose a volume and so cannot be printed as it is.",
        cause: "It has holes, loose facets or surfaces without thickness.",
        remedy: "Repair it, or close it in the modelling program.",
    }
    Value "value" {
        meaning: "A number or word given by the user is out of its range.",
        cause: "A slip, another unit, or a wish that the formulas do not cover.",
        remedy: "Give a value within the range that the message states.",
    }
    Config "config" {
        meaning: "A recipe or setup cannot be read.",
        cause: "A name is misspelt or a line is no TOML or JSON.",
        remedy: "Compare with what `vatwright recipe` or a built-in setup writes.",
    }
    Limit "limit" {
        meaning: "Doing it would need more than a stated bound of memory, size or count.",
        cause: "The model is very large, or its unit is not millimetres.",
        remedy: "Check the unit, ask for coarser cells or pitch, or raise the bound.",
    }
    Pass "pass" {
        meaning: "A pass cannot work on what it was given.",
        cause: "Passes ran in an order that makes no sense, or something it needs is missing.",
        remedy: "Follow the remedy in the message; a default recipe shows the order.",
    }
    Structure "structure" {
        meaning: "A structure of supports cannot carry its load: nothing holds it, or part of it is \
            loose.",
        cause: "A column without a foot, or a tip without a column.",
        remedy: "Join every tip to a column and every column to a foot.",
    }
    Cancelled "cancelled" {
        meaning: "The user asked to stop.",
        cause: "Ctrl-C, a cancelled token, or a progress callback that raised.",
        remedy: "None needed: run it again.",
    }
}

impl Error {
    /// What the user can do, as the message ends; empty where the message alone says it.
    pub fn remedy(&self) -> &str {
        match self {
            Error::Format { remedy, .. }
            | Error::Mesh { remedy, .. }
            | Error::NotSolid { remedy, .. }
            | Error::Config { remedy, .. }
            | Error::Limit { remedy, .. }
            | Error::Pass { remedy, .. }
            | Error::Structure { remedy, .. } => remedy,
            Error::Io { .. } | Error::Value { .. } | Error::Cancelled => "",
        }
    }
}

/// Checks that a finite number lies in a closed range; `place` is its dotted name, `unit` is
/// appended to the message ("mm", "" for none).
///
/// # Errors
/// [`Error::Value`] naming place, value and range.
///
/// ```
/// use vatwright::check_range;
/// let wrong = check_range("hollow.wall_mm", 0.1, 0.3, 20.0, "mm").unwrap_err();
/// assert_eq!(wrong.to_string(), "hollow.wall_mm = 0.1 is outside 0.3..=20 mm");
/// ```
pub fn check_range(place: &str, value: f64, lo: f64, hi: f64, unit: &str) -> Result<()> {
    if (lo..=hi).contains(&value) {
        return Ok(());
    }
    let unit = if unit.is_empty() { String::new() } else { format!(" {unit}") };
    Err(Error::Value {
        place: place.into(),
        value: value.to_string(),
        expected: format!("{lo}..={hi}{unit}"),
    })
}
