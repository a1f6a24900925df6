//! The core's errors as Python exceptions: classes of `vatwright.errors`, found by stable code.

use pyo3::prelude::*;
use std::io::ErrorKind;
use vatwright::Error;

/// The Python exception of a core error.
pub(crate) fn to_py(py: Python<'_>, error: Error) -> PyErr {
    build(py, &error).unwrap_or_else(|e| e)
}

fn build(py: Python<'_>, error: &Error) -> PyResult<PyErr> {
    let module = py.import("vatwright.errors")?;
    let class = module.getattr("BY_CODE")?.get_item(error.code())?;
    let value = match error {
        Error::Io { path, action, source } => {
            let class = match source.kind() {
                ErrorKind::NotFound => module.getattr("MissingFileError")?,
                _ => class,
            };
            let number = source.raw_os_error().unwrap_or(0);
            class.call1((number, format!("cannot {action}: {source}"), path.as_os_str()))?
        }
        _ => class.call1((error.to_string(),))?,
    };
    value.setattr("remedy", error.remedy())?;
    Ok(PyErr::from_value(value))
}

/// Whether an exception says that the work was asked to stop.
pub(crate) fn is_cancelled(py: Python<'_>, error: &PyErr) -> bool {
    let class = py.import("vatwright.errors").and_then(|m| m.getattr("Cancelled"));
    class.is_ok_and(|class| error.is_instance(py, &class))
}

/// The exception of a panic inside the core, with what it said.
pub(crate) fn internal(py: Python<'_>, said: &str) -> PyErr {
    let build = || {
        let class = py.import("vatwright.errors")?.getattr("InternalError")?;
        class.call1((format!("a defect of vatwright, please report it: {said}"),))
    };
    build().map_or_else(|e| e, PyErr::from_value)
}

/// Turns a core result into a Python one.
pub(crate) trait OrRaise<T> {
    /// The value, or the exception of the error.
    fn or_raise(self, py: Python<'_>) -> PyResult<T>;
}

impl<T> OrRaise<T> for vatwright::Result<T> {
    fn or_raise(self, py: Python<'_>) -> PyResult<T> {
        self.map_err(|e| to_py(py, e))
    }
}
