//! One error type for everything that leaves no result; what physics objects to is a
//! [`Finding`](crate::Finding) instead.

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

impl Error {
    /// Stable machine-readable code, one per variant.
    pub fn code(&self) -> &'static str {
        match self {
            Error::Io { .. } => "io",
            Error::Format { .. } => "format",
            Error::Mesh { .. } => "mesh",
            Error::NotSolid { .. } => "not_solid",
            Error::Value { .. } => "value",
            Error::Config { .. } => "config",
            Error::Limit { .. } => "limit",
            Error::Pass { .. } => "pass",
            Error::Structure { .. } => "structure",
            Error::Cancelled => "cancelled",
        }
    }

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

    /// Every code that [`Error::code`] can return.
    pub const CODES: [&'static str; 10] = [
        "io",
        "format",
        "mesh",
        "not_solid",
        "value",
        "config",
        "limit",
        "pass",
        "structure",
        "cancelled",
    ];
}

/// Checks that a finite number lies in a closed range; `place` is its dotted name, `unit` is
/// appended to the message ("mm", "" for none).
///
/// # Errors
/// [`Error::Value`] naming place, value and range.
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
