//! What is wrong with a mesh, and the mesh mended.

use crate::mesh::{Mesh, Solid};
use crate::record::record;
use crate::report::Done;
use crate::run::{How, run_plain};
use pyo3::prelude::*;
use vatwright::mesh::health as core;

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

/// Makes a solid of a mesh without guessing; the report says what was done.
#[pyfunction]
#[pyo3(signature = (mesh, *, weld_mm = 1e-4, hole_mm = 2.0))]
pub(crate) fn repair(py: Python<'_>, mesh: &Mesh, weld_mm: f64, hole_mm: f64) -> PyResult<Done> {
    let options = core::RepairOptions { weld_mm, hole_mm };
    let mesh = vatwright::Mesh::clone(&mesh.0);
    let done = run_plain(py, How::default(), |_| core::repair(mesh, &options))?;
    Done::wrap(py, done, |mended| Solid(mended.solid))
}
