//! Findings, reports, and results that come with a report.

use crate::record::record;
use pyo3::BoundObject;
use pyo3::prelude::*;

record!(Finding, vatwright::Finding, "Something physics, geometry or missing input has to say.", {
    #[getter]
    fn plate(&self) -> &str {
        &self.0.plate
    }

    #[getter]
    fn unit(&self) -> &str {
        &self.0.unit
    }

    #[getter]
    fn remedy(&self) -> &str {
        &self.0.remedy
    }
});
record!(Report, vatwright::Report, "What a pass did: numbers, words, findings, inner reports.", {
    #[getter]
    fn findings(&self) -> Vec<Finding> {
        self.0.findings.iter().cloned().map(Finding).collect()
    }

    #[getter]
    fn inner(&self) -> Vec<Report> {
        self.0.inner.iter().cloned().map(Report).collect()
    }

    #[getter]
    fn sources<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
        crate::plain::to_py(py, &self.0.sources)
    }

    fn _repr_html_(slf: &Bound<'_, Report>) -> PyResult<String> {
        crate::record::in_notebook(slf.as_any(), "report")
    }

    /// What a pass has to tell beyond numbers and words, as plain data by name.
    #[getter]
    fn data<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
        crate::plain::to_py(py, &self.0.data)
    }

    /// This report's findings and those of all inner reports, depth first.
    fn all_findings(&self) -> Vec<Finding> {
        self.0.all_findings().into_iter().cloned().map(Finding).collect()
    }

    /// The gravest severity here and in the inner reports: note, warning, fault or None.
    #[getter]
    fn worst<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
        crate::plain::to_py(py, &self.0.worst())
    }
});

/// A result with the report of how it came about.
#[pyclass(frozen, generic, module = "vatwright")]
pub(crate) struct Done {
    /// The result.
    #[pyo3(get)]
    value: Py<PyAny>,
    /// How it came about, and what to mind.
    #[pyo3(get)]
    report: Py<Report>,
}

impl Done {
    /// Wraps what a core pass gave back.
    pub(crate) fn wrap<'py, T, V: IntoPyObject<'py>>(
        py: Python<'py>,
        done: vatwright::Done<T>,
        value: impl FnOnce(T) -> V,
    ) -> PyResult<Done>
    where
        PyErr: From<V::Error>,
    {
        let value = value(done.value).into_pyobject(py)?.into_any().unbind();
        Ok(Done { value, report: Py::new(py, Report(done.report))? })
    }
}

#[pymethods]
impl Done {
    #[new]
    fn new(value: Py<PyAny>, report: Py<Report>) -> Done {
        Done { value, report }
    }

    fn __repr__(&self, py: Python<'_>) -> PyResult<String> {
        Ok(format!("Done({}, {})", self.value.bind(py).repr()?, self.report.bind(py).repr()?))
    }

    fn __eq__(&self, py: Python<'_>, other: &Bound<'_, Done>) -> PyResult<bool> {
        let other = other.get();
        Ok(self.value.bind(py).eq(&other.value)? && self.report.bind(py).eq(&other.report)?)
    }

    fn __reduce__<'py>(slf: &Bound<'py, Done>) -> PyResult<Bound<'py, PyAny>> {
        let this = slf.get();
        Ok((slf.get_type(), (&this.value, &this.report)).into_pyobject(slf.py())?.into_any())
    }
}
