//! Layers and their survey: spans stay in the core, Python sees masks, tables and records.

use crate::arrays::{from_mask, table};
use crate::errors::OrRaise;
use crate::mesh::pickled;
use crate::record::record;
use crate::run::{How, run_plain};
use numpy::PyArray2;
use pyo3::exceptions::PyIndexError;
use pyo3::prelude::*;
use pyo3::types::{PyBytes, PyDict, PyTuple, PyType};
use std::sync::Arc;
use vatwright::{format, layers as core};

record!(Grid, core::Grid, "Where layers, rows and pixels lie.");
record!(Component, core::Component, "Regions of neighbouring layers that hang together in all.");
record!(
    Cup,
    core::Cup,
    "A void that was sealed for some layers; one that never opens is a pocket.",
    {
        /// Whether it never reaches the outside.
        #[getter]
        fn is_pocket(&self) -> bool {
            self.0.is_pocket()
        }

        /// First and last sealed layer.
        #[getter]
        fn layers(&self) -> (u32, u32) {
            self.0.layers()
        }

        /// The widest sealed layer and its area, mm².
        #[getter]
        fn widest(&self) -> (u32, f64) {
            self.0.widest()
        }
    }
);

/// A stack of layers as the printer will see them.
#[pyclass(frozen, eq, module = "vatwright")]
#[derive(PartialEq)]
pub(crate) struct Layers(Arc<core::Layers>);

impl From<core::Layers> for Layers {
    fn from(layers: core::Layers) -> Layers {
        Layers(Arc::new(layers))
    }
}

impl Layers {
    fn pixels<'py>(&self, py: Python<'py>, k: u32) -> PyResult<Bound<'py, PyArray2<u8>>> {
        let grid = &self.0.grid;
        from_mask(py, self.0.mask(k), [grid.rows as usize, grid.columns as usize])
    }

    /// The number of a layer, if there is such a one.
    fn within(&self, k: i64) -> PyResult<u32> {
        let layers = self.0.layers.len();
        let message = || PyIndexError::new_err(format!("layer {k} of a stack of {layers}"));
        u32::try_from(k).ok().filter(|&k| (k as usize) < layers).ok_or_else(message)
    }
}

#[pymethods]
impl Layers {
    #[getter]
    fn grid(&self) -> Grid {
        Grid(self.0.grid)
    }

    /// Solid volume, mm³; overlaps count once.
    #[getter]
    fn volume_mm3(&self) -> f64 {
        self.0.volume_mm3()
    }

    /// Everything that is solid in any layer, as a picture: the outline from above.
    fn silhouette<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray2<u8>>> {
        let shadow =
            core::Layers { grid: self.0.grid, first: 0, layers: vec![self.0.silhouette()] };
        Layers::from(shadow).pixels(py, 0)
    }

    /// Layer `k` as a picture: (rows, columns), 255 where a pixel's centre is solid.
    fn mask<'py>(&self, py: Python<'py>, k: u32) -> PyResult<Bound<'py, PyArray2<u8>>> {
        let k = self.within(i64::from(k))?;
        self.pixels(py, k)
    }

    /// Regions, voids, islands, cups and what hangs together, in one sweep.
    #[pyo3(signature = (*, progress = None, threads = None))]
    fn survey(
        &self,
        py: Python<'_>,
        progress: Option<Py<PyAny>>,
        threads: Option<usize>,
    ) -> PyResult<Survey> {
        let how = How { progress, threads };
        run_plain(py, how, |job| core::Survey::of(&self.0, job)).map(Survey)
    }

    /// The overhanging regions: area of a layer farther than `reach_mm` from the layer before,
    /// as columns of a table.
    #[pyo3(signature = (reach_mm, *, progress = None, threads = None))]
    fn overhangs<'py>(
        &self,
        py: Python<'py>,
        reach_mm: f64,
        progress: Option<Py<PyAny>>,
        threads: Option<usize>,
    ) -> PyResult<Bound<'py, PyDict>> {
        let how = How { progress, threads };
        let found = run_plain(py, how, |job| core::overhangs(&self.0, reach_mm, job))?;
        let regions: Vec<_> = found.iter().flat_map(|o| &o.regions).copied().collect();
        table(py, &regions)
    }

    /// Layer `k` as PNG, white where it is lit, the back of the plate up.
    fn picture<'py>(&self, py: Python<'py>, k: u32) -> PyResult<Bound<'py, PyBytes>> {
        self.within(i64::from(k))?;
        Ok(PyBytes::new(py, &self.0.picture(k).png()))
    }

    fn __len__(&self) -> usize {
        self.0.layers.len()
    }

    /// `layers[k]` is `layers.mask(k)`; negative numbers count from the last layer.
    fn __getitem__<'py>(&self, py: Python<'py>, k: i64) -> PyResult<Bound<'py, PyArray2<u8>>> {
        let layers = self.0.layers.len() as i64;
        let k = self.within(if k < 0 { k + layers } else { k })?;
        self.pixels(py, k)
    }

    fn _repr_html_(slf: &Bound<'_, Layers>) -> PyResult<String> {
        crate::record::in_notebook(slf.as_any(), "layers")
    }

    fn __repr__(&self) -> String {
        let g = &self.0.grid;
        format!(
            "<Layers: {} of {} mm, {} × {} pixels of {} mm>",
            g.layers, g.layer_mm, g.columns, g.rows, g.pitch_mm
        )
    }

    fn __reduce__<'py>(slf: &Bound<'py, Layers>) -> PyResult<Bound<'py, PyTuple>> {
        pickled(slf.as_any(), "_from_bytes", &*slf.get().0)
    }

    #[classmethod]
    fn _from_bytes(class: &Bound<'_, PyType>, bytes: &[u8]) -> PyResult<Layers> {
        format::from_bytes::<core::Layers>(bytes, "Layers").or_raise(class.py()).map(Layers::from)
    }
}

/// What the layers hold. Tables are dicts of columns, one numpy array a column.
#[pyclass(frozen, eq, module = "vatwright")]
#[derive(PartialEq)]
pub(crate) struct Survey(core::Survey);

#[pymethods]
impl Survey {
    #[getter]
    fn grid(&self) -> Grid {
        Grid(self.0.grid)
    }

    /// Volume of all layers, mm³.
    #[getter]
    fn volume_mm3(&self) -> f64 {
        self.0.volume_mm3()
    }

    /// A row a layer: solid area, thin area, perimeter, sealed area.
    fn sections<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        table(py, &self.0.sections)
    }

    /// A row a solid region, layer by layer.
    fn regions<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        table(py, &self.0.regions)
    }

    /// A row a void region that does not reach the side within its layer.
    fn voids<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        table(py, &self.0.voids)
    }

    /// A row a region that begins in mid-air.
    fn islands<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyDict>> {
        let regions = self.0.islands.iter().map(|&i| self.0.regions[i as usize]);
        table(py, &regions.collect::<Vec<_>>())
    }

    /// What hangs together in all.
    #[getter]
    fn components(&self) -> Vec<Component> {
        self.0.components.iter().copied().map(Component).collect()
    }

    /// Voids that are sealed in some layer, pockets among them.
    #[getter]
    fn cups(&self) -> Vec<Cup> {
        self.0.cups.iter().cloned().map(Cup).collect()
    }

    fn __repr__(&self) -> String {
        let s = &self.0;
        format!(
            "<Survey: {} layers, {} regions, {} islands, {} cups, {} pockets>",
            s.sections.len(),
            s.regions.len(),
            s.islands.len(),
            s.cups.len(),
            s.pockets().count()
        )
    }

    fn __reduce__<'py>(slf: &Bound<'py, Survey>) -> PyResult<Bound<'py, PyTuple>> {
        pickled(slf.as_any(), "_from_bytes", &slf.get().0)
    }

    #[classmethod]
    fn _from_bytes(class: &Bound<'_, PyType>, bytes: &[u8]) -> PyResult<Survey> {
        format::from_bytes(bytes, "Survey").or_raise(class.py()).map(Survey)
    }
}
