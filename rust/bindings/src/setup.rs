//! Setup and its four groups of numbers.

use crate::errors::OrRaise;
use crate::record::record;
use pyo3::prelude::*;
use std::path::PathBuf;
use vatwright::setup as core;

record!(
    Machine,
    core::Machine,
    "The printer: what it can reach, how it moves, what its film does."
);
record!(Resin, core::Resin, "The resin: liquid, green (before post-cure) and cured.");
record!(Exposure, core::Exposure, "How layers are exposed.");
record!(Limits, core::Limits, "What the user asks every plate to keep.");
record!(Setup, core::Setup, "Machine, resin, exposure and limits under one name.",
    check core::Setup::validate,
    nested { machine: Machine, resin: Resin, exposure: Exposure, limits: Limits },
    {
    /// A built-in setup by name, or the TOML file at that path.
    #[staticmethod]
    fn load(py: Python<'_>, name_or_path: PathBuf) -> PyResult<Setup> {
        core::Setup::load(name_or_path).or_raise(py).map(Setup)
    }

    /// Reads a setup from TOML text; `place` names it in messages.
    #[staticmethod]
    #[pyo3(signature = (text, *, place = "text"))]
    fn from_toml(py: Python<'_>, text: &str, place: &str) -> PyResult<Setup> {
        core::Setup::from_toml(text, place).or_raise(py).map(Setup)
    }

    fn _repr_html_(slf: &Bound<'_, Setup>) -> PyResult<String> {
        crate::record::in_notebook(slf.as_any(), "setup")
    }

    /// The setup as TOML, every number included.
    fn to_toml(&self) -> String {
        self.0.to_toml()
    }
});

/// The setup a call was given, or the default one.
pub(crate) fn given(setup: Option<PyRef<'_, Setup>>) -> core::Setup {
    setup.map(|s| s.0.clone()).unwrap_or_default()
}
