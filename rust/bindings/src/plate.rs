//! Plate and its placed parts.

use crate::errors::OrRaise;
use crate::mesh::{Corners, corners};
use crate::part::{Part, roles};
use crate::report::Report;
use crate::run::{How, run, run_plain};
use crate::setup::{Setup, given};
use pyo3::prelude::*;
use pyo3::types::{PyBytes, PyType};
use std::path::PathBuf;
use std::sync::Arc;
use vatwright::check::inspect_plate;
use vatwright::picture::View;
use vatwright::{Placed as CorePlaced, Plate as CorePlate, format};

/// A part at its place on a plate. Copies of a part share its geometry.
#[pyclass(frozen, eq, module = "vatwright")]
#[derive(PartialEq)]
pub(crate) struct Placed(CorePlaced);

#[pymethods]
impl Placed {
    #[new]
    #[pyo3(signature = (part, *, x_mm, y_mm, turn_deg = 0.0))]
    fn new(part: &Part, x_mm: f64, y_mm: f64, turn_deg: f64) -> Placed {
        Placed(CorePlaced { part: Arc::clone(&part.0), x_mm, y_mm, turn_deg })
    }

    /// The part in its own plate coordinates.
    #[getter]
    fn part(&self) -> Part {
        Part(Arc::clone(&self.0.part))
    }

    /// Where the part's origin lands, mm from the plate's left edge.
    #[getter]
    fn x_mm(&self) -> f64 {
        self.0.x_mm
    }

    /// Where the part's origin lands, mm from the plate's front edge.
    #[getter]
    fn y_mm(&self) -> f64 {
        self.0.y_mm
    }

    /// Rotation about z, degrees, counter-clockwise seen from +z.
    #[getter]
    fn turn_deg(&self) -> f64 {
        self.0.turn_deg
    }

    fn __repr__(&self) -> String {
        let p = &self.0;
        format!("<Placed '{}' at {:.2}, {:.2} mm, {:.1}°>", p.part.name, p.x_mm, p.y_mm, p.turn_deg)
    }

    fn __reduce__<'py>(slf: &Bound<'py, Placed>) -> PyResult<Bound<'py, PyAny>> {
        let py = slf.py();
        let make = py.import("functools")?.getattr("partial")?;
        let p = slf.get();
        let values = pyo3::types::PyDict::new(py);
        values.set_item("x_mm", p.0.x_mm)?;
        values.set_item("y_mm", p.0.y_mm)?;
        values.set_item("turn_deg", p.0.turn_deg)?;
        let make = make.call((slf.get_type(),), Some(&values))?;
        Ok((make, (p.part(),)).into_pyobject(py)?.into_any())
    }
}

/// Parts that print together. The plate's origin is its front left corner.
#[pyclass(frozen, eq, module = "vatwright")]
#[derive(PartialEq)]
pub(crate) struct Plate(pub(crate) Arc<CorePlate>);

impl From<CorePlate> for Plate {
    fn from(plate: CorePlate) -> Plate {
        Plate(Arc::new(plate))
    }
}

#[pymethods]
impl Plate {
    #[new]
    #[pyo3(signature = (name, placed, *, width_mm, depth_mm, printer = ""))]
    fn new(
        name: String,
        placed: Vec<PyRef<'_, Placed>>,
        width_mm: f64,
        depth_mm: f64,
        printer: &str,
    ) -> Plate {
        let placed = placed.iter().map(|p| p.0.clone()).collect();
        CorePlate { name, printer: printer.into(), width_mm, depth_mm, placed }.into()
    }

    /// Name of the setup that prints it.
    #[getter]
    fn printer(&self) -> &str {
        &self.0.printer
    }

    #[getter]
    fn name(&self) -> &str {
        &self.0.name
    }

    /// Usable size along x, mm.
    #[getter]
    fn width_mm(&self) -> f64 {
        self.0.width_mm
    }

    /// Usable size along y, mm.
    #[getter]
    fn depth_mm(&self) -> f64 {
        self.0.depth_mm
    }

    #[getter]
    fn placed(&self) -> Vec<Placed> {
        self.0.placed.iter().cloned().map(Placed).collect()
    }

    /// Height of the tallest part, mm.
    #[getter]
    fn height_mm(&self) -> f64 {
        self.0.height_mm()
    }

    /// Box around everything on the plate.
    #[getter]
    fn bounds(&self) -> Corners {
        corners(&self.0.bounds())
    }

    /// Writes every part as one object at its place, STL or 3MF by the file's ending, or
    /// as one node with one below it a role, glTF (.glb).
    fn save(&self, py: Python<'_>, path: PathBuf) -> PyResult<()> {
        run_plain(py, How::default(), |_| self.0.write(path))
    }

    /// Looks at the plate for every way to fail: each distinct part once, then what only the plate as
    /// a whole can tell: the arm that all parts share while they settle, the pull of all on the film,
    /// the resin of all. Every finding names the plate and the part.
    #[pyo3(signature = (setup = None, *, progress = None, threads = None))]
    fn inspect(
        &self,
        py: Python<'_>,
        setup: Option<PyRef<'_, Setup>>,
        progress: Option<Py<PyAny>>,
        threads: Option<usize>,
    ) -> PyResult<Report> {
        let how = How { progress, threads };
        let checked = run(py, given(setup), how, |ctx| inspect_plate(&self.0, ctx))?;
        Ok(Report(checked.into_report(&self.0.name)))
    }

    /// The plate from above as an SVG document: where each part lies and how high it is, with a
    /// number each (its place in `placed`, from 1) and a legend of their names.
    #[pyo3(signature = (*, legend = true))]
    fn picture_svg(&self, py: Python<'_>, legend: bool) -> PyResult<String> {
        run_plain(py, How::default(), |_| Ok(self.0.picture_svg(legend)))
    }

    /// The plate with everything on it as PNG, as `Part.picture` shows a part.
    #[pyo3(signature = (*, azimuth_deg = 300.0, elevation_deg = 35.0, size_px = 640, roles = None))]
    fn picture<'py>(
        &self,
        py: Python<'py>,
        azimuth_deg: f64,
        elevation_deg: f64,
        size_px: u32,
        roles: Option<Bound<'py, PyAny>>,
    ) -> PyResult<Bound<'py, PyBytes>> {
        let view = View { azimuth_deg, elevation_deg, size_px, roles: self::roles(py, roles)? };
        let picture = run_plain(py, How::default(), |job| self.0.picture(&view, job))?;
        Ok(PyBytes::new(py, &picture.png()))
    }

    fn _repr_html_(slf: &Bound<'_, Plate>) -> PyResult<String> {
        crate::record::in_notebook(slf.as_any(), "plate")
    }

    fn __repr__(&self) -> String {
        format!("<Plate '{}': {} parts>", self.0.name, self.0.placed.len())
    }

    /// Parts that share geometry still share it afterwards.
    fn __reduce__<'py>(slf: &Bound<'py, Plate>) -> PyResult<Bound<'py, PyAny>> {
        let py = slf.py();
        let plate = &slf.get().0;
        let mut parts: Vec<&Arc<vatwright::Part>> = Vec::new();
        let mut places = Vec::with_capacity(plate.placed.len());
        for p in &plate.placed {
            let known = parts.iter().position(|q| Arc::ptr_eq(q, &p.part));
            let index = known.unwrap_or(parts.len());
            if known.is_none() {
                parts.push(&p.part);
            }
            places.push((index, p.x_mm, p.y_mm, p.turn_deg));
        }
        let parts: Vec<Part> = parts.into_iter().cloned().map(Part).collect();
        let read = slf.get_type().getattr("_from_parts")?;
        let bare = CorePlate { placed: Vec::new(), ..CorePlate::clone(plate) };
        let bare = PyBytes::new(py, &format::to_bytes(&bare).or_raise(py)?);
        Ok((read, (bare, parts, places)).into_pyobject(py)?.into_any())
    }

    #[classmethod]
    fn _from_parts(
        class: &Bound<'_, PyType>,
        bare: &[u8],
        parts: Vec<PyRef<'_, Part>>,
        places: Vec<(usize, f64, f64, f64)>,
    ) -> PyResult<Plate> {
        let placed = places
            .into_iter()
            .map(|(index, x_mm, y_mm, turn_deg)| {
                let part = parts.get(index).map(|p| Arc::clone(&p.0));
                Some(CorePlaced { part: part?, x_mm, y_mm, turn_deg })
            })
            .collect::<Option<Vec<_>>>()
            .ok_or_else(|| pyo3::exceptions::PyIndexError::new_err("a place without its part"))?;
        let bare: CorePlate = format::from_bytes(bare, "Plate").or_raise(class.py())?;
        Ok(CorePlate { placed, ..bare }.into())
    }
}
