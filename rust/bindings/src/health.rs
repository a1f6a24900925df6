//! What is wrong with a mesh, and the mesh mended.

use crate::arrays;
use crate::mesh::{Mesh, Solid};
use crate::part::Part;
use crate::record::{self, record};
use crate::report::Done;
use crate::run::{How, run, run_plain};
use crate::setup::{Setup, given};
use numpy::PyArray1;
use pyo3::prelude::*;
use pyo3::types::PyDict;
use vatwright::mesh::health as core;
use vatwright::passes::Pass;

record!(Defects, core::Defects, "How often a defect occurs, and where it is worst.");
record!(Hole, core::Hole, "A ring along which facets are missing.");
record!(
    Health,
    core::Health,
    "What is wrong with a mesh, counted and placed.",
    nested {
        open_edges: Defects,
        crowded_edges: Defects,
        clashing_edges: Defects,
        turned_facets: Defects,
        doubled_facets: Defects,
        flat_facets: Defects,
        open_shells: Defects,
        inside_out_shells: Defects,
        slivers: Defects,
    },
    {
        /// Every kind of defect with its count and its worst places, in words; empty for a sound
        /// mesh.
        #[getter]
        fn summary(&self) -> String {
            self.0.summary()
        }

        fn _repr_html_(slf: &Bound<'_, Health>) -> PyResult<String> {
            crate::record::in_notebook(slf.as_any(), "health")
        }

        /// The widest holes, widest first.
        #[getter]
        fn widest_holes(&self) -> Vec<Hole> {
            self.0.widest_holes.iter().cloned().map(Hole).collect()
        }
    }
);

/// Looks a mesh over, changing nothing.
#[pyfunction]
pub(crate) fn diagnose(py: Python<'_>, mesh: &Mesh) -> PyResult<Health> {
    run_plain(py, How::default(), |_| Ok(core::diagnose(&mesh.0))).map(Health)
}

record!(Repair, vatwright::passes::Repair, "Makes a solid of whatever a file holds.",
    check vatwright::passes::Repair::validate, nested {}, {
    /// Name of the pass.
    #[getter]
    fn name(&self) -> &'static str {
        "repair"
    }

    /// Makes a Solid of a Mesh; a Part is given back with its body repaired.
    #[pyo3(signature = (subject, setup = None, *, progress = None, threads = None))]
    fn apply(
        &self,
        py: Python<'_>,
        subject: &Bound<'_, PyAny>,
        setup: Option<PyRef<'_, Setup>>,
        progress: Option<Py<PyAny>>,
        threads: Option<usize>,
    ) -> PyResult<Done> {
        let how = How { progress, threads };
        if let Ok(part) = subject.cast::<Part>() {
            let part = vatwright::Part::clone(&part.get().0);
            let done = run(py, given(setup), how, |ctx| self.0.apply(part, ctx))?;
            return Done::wrap(py, done, Part::from);
        }
        let mesh = vatwright::Mesh::clone(&subject.cast::<Mesh>()?.get().0);
        let done = run_plain(py, how, |job| self.0.mesh(mesh, job))?;
        Done::wrap(py, done, |mended| Solid(mended.solid))
    }
});

/// Makes a solid of a mesh: `Repair(**options).apply(mesh)`.
#[pyfunction]
#[pyo3(signature = (mesh, *, strength = "fill", fill = "planar", weld_mm = 1e-4, hole_mm = 2.0,
                    cell_mm = None, sheet_mm = None, max_cells = 30_000_000))]
#[allow(clippy::too_many_arguments)] // keywords of the Python call
pub(crate) fn repair(
    py: Python<'_>,
    mesh: &Bound<'_, Mesh>,
    strength: &str,
    fill: &str,
    weld_mm: f64,
    hole_mm: f64,
    cell_mm: Option<f64>,
    sheet_mm: Option<f64>,
    max_cells: u64,
) -> PyResult<Done> {
    let values = PyDict::new(py);
    values.set_item("strength", strength)?;
    values.set_item("fill", fill)?;
    values.set_item("weld_mm", weld_mm)?;
    values.set_item("hole_mm", hole_mm)?;
    values.set_item("cell_mm", cell_mm)?;
    values.set_item("sheet_mm", sheet_mm)?;
    values.set_item("max_cells", max_cells)?;
    let pass: Repair = record::build(py, Some(values))?;
    pass.apply(py, mesh.as_any(), None, None, None)
}

/// Generalised winding numbers of points, (n, 3) mm: how far a mesh, open or not, winds around each.
#[pyfunction]
pub(crate) fn winding_numbers<'py>(
    py: Python<'py>,
    mesh: &Mesh,
    points: &Bound<'py, PyAny>,
) -> PyResult<Bound<'py, PyArray1<f64>>> {
    let points = arrays::points(points, "points")?;
    let numbers = run_plain(py, How::default(), |job| {
        let winding = vatwright::mesh::winding::Winding::of(&mesh.0);
        winding.all(&points, job)
    })?;
    Ok(PyArray1::from_vec(py, numbers))
}
