//! Findings and reports: what a pass or a check has to say about a result that exists.

use crate::codes::FindingCode;
use nalgebra::Point3;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// How much a finding matters. A number that keeps within the limit it is printed with is a note,
/// never more.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Severity {
    /// Worth knowing; nothing will fail because of it.
    Note,
    /// May spoil the part or could not be judged.
    Warning,
    /// Will fail as it stands.
    Fault,
}

/// Something that physics, geometry or missing input has to say about a result.
///
/// ```
/// use vatwright::{Finding, FindingCode, Severity};
/// let f = Finding::new(FindingCode::Cup, Severity::Warning, "guard", "the helmet seals")
///     .at_layers(40, 90)
///     .measured(1.2, 1.0, "N")
///     .remedy("vent it");
/// assert_eq!(f.code, "cup");
/// ```
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Finding {
    /// The kind: `cup`, `pocket`, `island`, …
    pub code: FindingCode,
    /// How much it matters.
    pub severity: Severity,
    /// Name of the part or plate it is about.
    pub part: String,
    /// Name of the plate for which it was found; empty where it holds of the part on any plate.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub plate: String,
    /// First and last layer it holds for (both inclusive), if it has layers.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub layers: Option<(u32, u32)>,
    /// Where, as the part stands alone, mm; of a whole plate, on the plate.
    #[serde(default, skip_serializing_if = "Option::is_none", with = "finite")]
    pub place: Option<Point3<f64>>,
    /// The number that was found, in `unit`.
    #[serde(default, skip_serializing_if = "Option::is_none", with = "finite")]
    pub value: Option<f64>,
    /// The number it was held against, in `unit`.
    #[serde(default, skip_serializing_if = "Option::is_none", with = "finite")]
    pub limit: Option<f64>,
    /// Unit of value and limit: `mm`, `N`, `mm²`, …
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub unit: String,
    /// One sentence: what is the matter.
    pub message: String,
    /// One sentence: what to do about it.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub remedy: String,
}

impl Finding {
    /// A finding of the given kind; the other fields are filled by the builder methods.
    pub fn new(
        code: impl Into<FindingCode>,
        severity: Severity,
        part: &str,
        message: impl Into<String>,
    ) -> Finding {
        Finding {
            code: code.into(),
            severity,
            part: part.into(),
            plate: String::new(),
            layers: None,
            place: None,
            value: None,
            limit: None,
            unit: String::new(),
            message: message.into(),
            remedy: String::new(),
        }
    }

    /// Whether it says what another says; the last bits of a number that was reckoned twice do not
    /// count.
    fn says(&self, other: &Finding) -> bool {
        let near = match (self.value, other.value) {
            (Some(a), Some(b)) => (a - b).abs() <= 1e-9 * a.abs().max(b.abs()),
            (a, b) => a == b,
        };
        near && *self == Finding { value: self.value, ..other.clone() }
    }

    /// Sets the plate for which it was found.
    pub fn on_plate(mut self, plate: &str) -> Finding {
        self.plate = plate.into();
        self
    }

    /// Sets the inclusive layer range.
    pub fn at_layers(mut self, first: u32, last: u32) -> Finding {
        self.layers = Some((first, last));
        self
    }

    /// Sets the place in plate coordinates.
    pub fn at(mut self, place: Point3<f64>) -> Finding {
        self.place = Some(place).filter(Finite::is_finite);
        self
    }

    /// Sets value, limit and their unit; what is not finite is left out.
    pub fn measured(mut self, value: f64, limit: f64, unit: &str) -> Finding {
        self.value = Some(value).filter(Finite::is_finite);
        self.limit = Some(limit).filter(Finite::is_finite);
        self.unit = unit.into();
        self
    }

    /// Sets what to do.
    pub fn remedy(mut self, remedy: impl Into<String>) -> Finding {
        self.remedy = remedy.into();
        self
    }
}

/// What became of a file that a run was given.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum Fate {
    /// It is on a plate.
    #[serde(rename = "printed")]
    Printed,
    /// There is no part of it; the source's message says why.
    #[serde(rename = "failed")]
    Failed,
    /// There is a part, but it is on no plate.
    #[serde(rename = "left out")]
    LeftOut,
}

/// A file that a run was given, and its fate.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Source {
    /// The file, as it was given.
    pub path: String,
    /// Name of the part made of it, as findings and plates use it.
    pub name: String,
    /// What became of it.
    pub fate: Fate,
    /// Names of the plates it is on.
    #[serde(default)]
    pub plates: Vec<String>,
    /// Stable word for the reason when it is on no plate: an error's or a finding's code.
    #[serde(default)]
    pub code: String,
    /// What went wrong, or what to know of the file all the same.
    #[serde(default)]
    pub message: String,
    /// What to do about it.
    #[serde(default)]
    pub remedy: String,
}

/// What a pass did: numbers, findings, and the reports of the passes inside it.
///
/// ```
/// use vatwright::{Finding, Report, Severity};
/// let mut inner = Report::new("hollow", "guard");
/// inner.number("saved_ml", 3.5);
/// inner.findings.push(Finding::new("stays_solid", Severity::Note, "guard", "the sword is thin"));
/// let report = Report { inner: vec![inner], ..Report::new("recipe", "guard") };
/// assert_eq!(report.worst(), Some(Severity::Note));
/// ```
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Report {
    /// Name of the pass.
    pub pass: String,
    /// Name of the part or plate.
    pub part: String,
    /// Results by name, each name ending in its unit (`resin_ml`, `least_wall_mm`).
    #[serde(with = "finite")]
    pub numbers: BTreeMap<String, f64>,
    /// Words by name, for results that are no numbers (`style`, `summary`).
    pub words: BTreeMap<String, String>,
    /// What was found.
    pub findings: Vec<Finding>,
    /// Reports of inner passes, in order.
    pub inner: Vec<Report>,
    /// The files that a run was given, in its outermost report.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub sources: Vec<Source>,
    /// What a pass has to tell beyond numbers and words, as plain data by name: `cost`.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub data: BTreeMap<String, serde_json::Value>,
}

impl Report {
    /// An empty report of a pass on a part.
    pub fn new(pass: &str, part: &str) -> Report {
        Report { pass: pass.into(), part: part.into(), ..Report::default() }
    }

    /// Stores a number under a name that ends in its unit; −0, the sum of nothing, as 0. What is
    /// no finite number is told among the words.
    pub fn number(&mut self, name: &str, value: f64) {
        if value.is_finite() {
            self.numbers.insert(name.into(), value + 0.0);
        } else {
            let word = if value.is_nan() { "not known" } else { "without bound" };
            self.words.insert(name.into(), word.into());
        }
    }

    /// This report's findings and those of all inner reports, depth first. What several passes say in
    /// the same words of the same place is there once.
    pub fn all_findings(&self) -> Vec<&Finding> {
        let mut told: BTreeMap<(&str, &str), Vec<&Finding>> = BTreeMap::new();
        let mut out = self.every_finding();
        out.retain(|&f| {
            let alike = told.entry((&f.part, f.code.as_str())).or_default();
            let new = !alike.iter().any(|known| known.says(f));
            alike.extend(new.then_some(f));
            new
        });
        out
    }

    fn every_finding(&self) -> Vec<&Finding> {
        let inner = self.inner.iter().flat_map(Report::every_finding);
        self.findings.iter().chain(inner).collect()
    }

    /// The gravest severity in this report and the inner ones.
    pub fn worst(&self) -> Option<Severity> {
        self.every_finding().iter().map(|f| f.severity).max()
    }
}

/// A moment worth a look at the printer.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Moment {
    /// The layer just done.
    pub layer: u32,
    /// Time since the start, s.
    pub time_s: f64,
    /// What to look for.
    pub why: String,
}

/// A result with the report of how it came about.
#[derive(Clone, Debug)]
pub struct Done<T> {
    /// The result.
    pub value: T,
    /// How it came about, and what to mind.
    pub report: Report,
}

/// What holds numbers that all have to be finite.
trait Finite {
    fn is_finite(&self) -> bool;
}

impl Finite for f64 {
    fn is_finite(&self) -> bool {
        f64::is_finite(*self)
    }
}

impl Finite for Point3<f64> {
    fn is_finite(&self) -> bool {
        self.iter().all(Finite::is_finite)
    }
}

impl<T: Finite> Finite for Option<T> {
    fn is_finite(&self) -> bool {
        self.iter().all(Finite::is_finite)
    }
}

impl<K, T: Finite> Finite for BTreeMap<K, T> {
    fn is_finite(&self) -> bool {
        self.values().all(Finite::is_finite)
    }
}

/// Findings and reports are written and read with finite numbers only: JSON has no others, and a
/// reader that meets one elsewhere stumbles.
mod finite {
    use super::Finite;
    use serde::{Deserialize, Deserializer, Serialize, Serializer, de, ser};

    const REFUSAL: &str = "a number is not finite";

    pub(super) fn serialize<S: Serializer, T: Serialize + Finite>(
        value: &T,
        serializer: S,
    ) -> Result<S::Ok, S::Error> {
        if !value.is_finite() {
            return Err(ser::Error::custom(REFUSAL));
        }
        value.serialize(serializer)
    }

    pub(super) fn deserialize<'de, D: Deserializer<'de>, T: Deserialize<'de> + Finite>(
        deserializer: D,
    ) -> Result<T, D::Error> {
        let value = T::deserialize(deserializer)?;
        if value.is_finite() { Ok(value) } else { Err(de::Error::custom(REFUSAL)) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_two_passes_say_alike_is_told_once() {
        let finding = Finding::new("redundancy", Severity::Warning, "lamp", "it hangs on two tips");
        let said = |pass: &str, f: &Finding| Report {
            findings: vec![f.clone()],
            ..Report::new(pass, "lamp")
        };
        let worse = finding.clone().measured(2.0, 1.0, "MPa");
        let again = finding.clone().measured(2.0 * (1.0 + f64::EPSILON), 1.0, "MPa");
        let inner = vec![
            said("support", &finding),
            said("check", &finding),
            said("print", &worse),
            said("print", &again),
        ];
        let report = Report { inner, ..Report::new("recipe", "lamp") };
        assert_eq!(report.all_findings(), [&finding, &worse]);
    }

    #[test]
    fn reports_hold_and_write_finite_numbers_only() {
        let mut report = Report::new("check", "lamp");
        report.number("gap_percent", f64::INFINITY);
        report.number("mean_mm", f64::NAN);
        report.number("tips", -0.0);
        let at = Point3::new(f64::NAN, 0.0, 0.0);
        let finding = Finding::new("cup", Severity::Note, "lamp", "it sucks");
        report.findings.push(finding.at(at).measured(f64::INFINITY, 1.0, "kPa"));
        let json = serde_json::to_string(&report).unwrap();
        assert!(!json.contains("null"), "{json}");
        assert_eq!(serde_json::from_str::<Report>(&json).unwrap(), report);
        assert_eq!(report.words["gap_percent"], "without bound");

        report.numbers.insert("forced".into(), f64::NAN);
        assert!(serde_json::to_string(&report).is_err());
        assert!(toml::from_str::<Report>("[numbers]\nforced = nan\n").is_err());
    }
}
