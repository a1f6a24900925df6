//! The format number that files of setups, recipes and reports and the bytes of parts carry, so
//! that a later version knows what it reads and an earlier one knows that it cannot.

use crate::error::{Error, Result};
use serde::de::{DeserializeOwned, Error as _};
use serde::{Deserialize, Deserializer, Serialize};
use std::fmt::Display;

/// The format that this version writes. A file without a number is of format 1, which the first
/// version wrote without saying so.
pub const FORMAT: u32 = 1;

/// The `format` key of a file; a number of a later version is refused where it stands.
#[derive(Default, Serialize)]
#[serde(transparent)]
pub(crate) struct Format(u32);

impl Format {
    /// What this version writes.
    pub(crate) fn current() -> Format {
        Format(FORMAT)
    }
}

impl<'de> Deserialize<'de> for Format {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> std::result::Result<Self, D::Error> {
        match u32::deserialize(deserializer)? {
            n @ 1..=FORMAT => Ok(Format(n)),
            n => Err(D::Error::custom(format!(
                "format {n} is none that this version reads, up to {FORMAT}: a later vatwright \
                 wrote it, or it is damaged"
            ))),
        }
    }
}

/// How bytes begin that say their format: a CBOR map of two whose first key is `format`.
const HEAD: &[u8] = b"\xa2\x66format";

#[derive(Serialize, Deserialize)]
struct Kept<T> {
    format: Format,
    value: T,
}

/// A value as compact bytes: CBOR (RFC 8949), with the format it is of.
///
/// # Errors
/// [`Error::Value`] for a value that serde cannot write; the crate's own always can be written.
///
/// ```
/// use vatwright::{Part, format, mesh::shapes};
/// let part = Part::new(shapes::cuboid(3.0, 2.0, 1.0)?);
/// let bytes = format::to_bytes(&part)?;
/// assert!(format::from_bytes::<Part>(&bytes, "Part")? == part);
/// # Ok::<(), vatwright::Error>(())
/// ```
pub fn to_bytes<T: Serialize>(value: &T) -> Result<Vec<u8>> {
    let mut bytes = Vec::new();
    let kept = Kept { format: Format::current(), value };
    ciborium::into_writer(&kept, &mut bytes).map_err(|e| Error::Value {
        place: "value".into(),
        value: e.to_string(),
        expected: "what serde can write".into(),
    })?;
    Ok(bytes)
}

/// The reverse of [`to_bytes`], also for what 0.1 wrote without a format; `what` names the kind of
/// value in messages.
///
/// # Errors
/// [`Error::Format`] for bytes that [`to_bytes`] did not write.
pub fn from_bytes<T: DeserializeOwned>(bytes: &[u8], what: &str) -> Result<T> {
    if bytes.starts_with(HEAD) {
        ciborium::from_reader(bytes).map(|kept: Kept<T>| kept.value)
    } else {
        ciborium::from_reader(bytes)
    }
    .map_err(|e| unreadable(e, bytes, what))
}

fn unreadable<E: Display>(e: ciborium::de::Error<E>, bytes: &[u8], what: &str) -> Error {
    use ciborium::de::Error as Cbor;
    let (at, problem) = match e {
        Cbor::Io(_) => (Some(bytes.len()), "they end too early".into()),
        Cbor::Syntax(at) => (Some(at), "they are no such data".into()),
        Cbor::Semantic(at, problem) => (at, problem),
        Cbor::RecursionLimitExceeded => (None, "they nest too deeply".into()),
    };
    Error::Format {
        path: format!("bytes of a {what}").into(),
        place: at.map_or("content".into(), |at| format!("byte {at}")),
        problem,
        remedy: "they are damaged or of another kind; make them again".into(),
    }
}
