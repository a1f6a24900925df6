//! Mesh and Solid.

use crate::arrays;
use crate::errors::OrRaise;
use crate::record::record;
use crate::run::{How, run_plain};
use numpy::PyArray2;
use pyo3::exceptions::PyImportError;
use pyo3::prelude::*;
use pyo3::types::{PyBytes, PyDict, PyTuple, PyType};
use std::path::PathBuf;
use std::sync::Arc;
use vatwright::mesh::io::{self, ReadOptions};
use vatwright::mesh::{boolean, measure};
use vatwright::{Bounds, Mesh as CoreMesh, Solid as CoreSolid, format};

/// Two corners as tuples.
pub(crate) type Corners = ((f64, f64, f64), (f64, f64, f64));

/// A box as its two corners.
pub(crate) fn corners(b: &Bounds) -> Corners {
    ((b.min.x, b.min.y, b.min.z), (b.max.x, b.max.y, b.max.z))
}

/// Reading options from keyword arguments.
pub(crate) fn reading(unit_mm: Option<f64>, weld_mm: f64, max_bytes: Option<u64>) -> ReadOptions {
    let max_bytes = max_bytes.unwrap_or(ReadOptions::default().max_bytes);
    ReadOptions { unit_mm, weld_mm, max_bytes }
}

record!(
    Measures,
    measure::Measures,
    "What a surface encloses: volume, area, centroid, inertia.",
    {
        /// Inertia tensor about the centroid at unit density, mm⁵, (3, 3).
        #[getter]
        fn inertia_mm5<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray2<f64>>> {
            arrays::from_matrix(py, self.0.inertia_mm5)
        }

        /// Box around the vertices.
        #[getter]
        fn bounds(&self) -> Corners {
            corners(&self.0.bounds)
        }
    }
);

/// Any triangles: vertices in mm and index triples; nothing is promised but finite coordinates
/// and valid indices. Counter-clockwise seen from outside is the outward side.
#[pyclass(frozen, eq, module = "vatwright")]
#[derive(PartialEq)]
pub(crate) struct Mesh(pub(crate) Arc<CoreMesh>);

impl From<CoreMesh> for Mesh {
    fn from(mesh: CoreMesh) -> Mesh {
        Mesh(Arc::new(mesh))
    }
}

#[pymethods]
impl Mesh {
    #[new]
    #[pyo3(signature = (vertices, triangles, *, name = ""))]
    fn new(
        vertices: &Bound<'_, PyAny>,
        triangles: &Bound<'_, PyAny>,
        name: &str,
    ) -> PyResult<Mesh> {
        let py = vertices.py();
        let vertices = arrays::points(vertices, "vertices")?;
        let triangles = arrays::triangles(triangles, "triangles")?;
        CoreMesh::new(name, vertices, triangles).or_raise(py).map(Mesh::from)
    }

    /// Reads STL, OBJ or 3MF as one mesh, equal vertices welded. `unit_mm` is the length of one
    /// unit of the file (25.4 for inches); None: what the file says, else 1 mm.
    #[staticmethod]
    #[pyo3(signature = (path, *, unit_mm = None, weld_mm = 0.0, max_bytes = None))]
    fn load(
        py: Python<'_>,
        path: PathBuf,
        unit_mm: Option<f64>,
        weld_mm: f64,
        max_bytes: Option<u64>,
    ) -> PyResult<Mesh> {
        let options = reading(unit_mm, weld_mm, max_bytes);
        run_plain(py, How::default(), |_| io::read(path, &options)).map(Mesh::from)
    }

    /// Reads every object of a file as a mesh of its own.
    #[staticmethod]
    #[pyo3(signature = (path, *, unit_mm = None, weld_mm = 0.0, max_bytes = None))]
    fn load_all(
        py: Python<'_>,
        path: PathBuf,
        unit_mm: Option<f64>,
        weld_mm: f64,
        max_bytes: Option<u64>,
    ) -> PyResult<Vec<Mesh>> {
        let options = reading(unit_mm, weld_mm, max_bytes);
        let meshes = run_plain(py, How::default(), |_| io::read_objects(path, &options))?;
        Ok(meshes.into_iter().map(Mesh::from).collect())
    }

    /// Writes binary STL or 3MF by the file's ending; the file appears whole or not at all.
    fn save(&self, py: Python<'_>, path: PathBuf) -> PyResult<()> {
        run_plain(py, How::default(), |_| {
            let pose = vatwright::Pose::identity();
            io::write(path, &[io::Item { name: self.0.name(), mesh: &self.0, pose }])
        })
    }

    /// Volume, area, centroid and inertia, exact for the polyhedron.
    fn measure(&self) -> Measures {
        Measures(measure::measure(&self.0))
    }

    /// The same for each shell: facets that hang together by edges.
    fn measure_shells(&self) -> Vec<Measures> {
        measure::measure_shells(&self.0).into_iter().map(Measures).collect()
    }

    /// Copies a trimesh.Trimesh.
    #[staticmethod]
    #[pyo3(signature = (mesh, *, name = ""))]
    fn from_trimesh(mesh: &Bound<'_, PyAny>, name: &str) -> PyResult<Mesh> {
        Mesh::new(&mesh.getattr("vertices")?, &mesh.getattr("faces")?, name)
    }

    /// A trimesh.Trimesh with the same vertices and faces (needs the extra `mesh`).
    fn to_trimesh<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
        let trimesh = py.import("trimesh").map_err(|_| {
            PyImportError::new_err("trimesh is not installed; pip install 'vatwright[mesh]'")
        })?;
        let keywords = PyDict::new(py);
        keywords.set_item("vertices", self.vertices(py)?)?;
        keywords.set_item("faces", self.triangles(py)?)?;
        keywords.set_item("process", false)?;
        trimesh.call_method("Trimesh", (), Some(&keywords))
    }

    #[getter]
    fn name(&self) -> &str {
        self.0.name()
    }

    /// What its file holds beside it or got wrong, in sentences.
    #[getter]
    fn notes(&self) -> Vec<&str> {
        self.0.notes().iter().map(String::as_str).collect()
    }

    #[getter]
    fn vertices<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray2<f64>>> {
        arrays::from_points(py, self.0.vertices())
    }

    #[getter]
    fn triangles<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray2<u32>>> {
        arrays::from_triangles(py, self.0.triangles())
    }

    #[getter]
    fn bounds(&self) -> Corners {
        corners(&self.0.bounds())
    }

    #[getter]
    fn volume_mm3(&self) -> f64 {
        measure::volume_mm3(&self.0)
    }

    /// The same mesh under another name.
    fn renamed(&self, name: &str) -> Mesh {
        CoreMesh::clone(&self.0).renamed(name).into()
    }

    /// The mesh scaled about the origin.
    fn scaled(&self, py: Python<'_>, factor: f64) -> PyResult<Mesh> {
        self.0.scaled(factor).or_raise(py).map(Mesh::from)
    }

    /// The same surface seen from its other side.
    fn flipped(&self) -> Mesh {
        self.0.flipped().into()
    }

    fn __repr__(&self) -> String {
        show("Mesh", &self.0)
    }

    fn __reduce__<'py>(slf: &Bound<'py, Mesh>) -> PyResult<Bound<'py, PyTuple>> {
        pickled(slf.as_any(), "from_bytes", &*slf.get().0)
    }

    /// The object as compact bytes, which hold nothing but data.
    fn to_bytes<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyBytes>> {
        Ok(PyBytes::new(py, &format::to_bytes(&*self.0).or_raise(py)?))
    }

    /// Reads what `to_bytes` wrote.
    #[classmethod]
    fn from_bytes(class: &Bound<'_, PyType>, bytes: &[u8]) -> PyResult<Mesh> {
        format::from_bytes::<CoreMesh>(bytes, "Mesh").or_raise(class.py()).map(Mesh::from)
    }
}

/// A mesh proven closed, consistently oriented and of positive volume. It may overlap itself:
/// its material is what non-zero winding fills.
#[pyclass(frozen, eq, module = "vatwright")]
#[derive(PartialEq)]
pub(crate) struct Solid(pub(crate) CoreSolid);

#[pymethods]
impl Solid {
    #[new]
    fn new(py: Python<'_>, mesh: &Mesh) -> PyResult<Solid> {
        CoreSolid::try_from(CoreMesh::clone(&mesh.0)).or_raise(py).map(Solid)
    }

    #[getter]
    fn name(&self) -> &str {
        self.0.name()
    }

    #[getter]
    fn mesh(&self) -> Mesh {
        self.0.mesh().clone().into()
    }

    #[getter]
    fn bounds(&self) -> Corners {
        corners(&self.0.bounds())
    }

    #[getter]
    fn volume_mm3(&self) -> f64 {
        measure::volume_mm3(&self.0)
    }

    /// What is in this solid and in none of the tools, which may overlap.
    #[pyo3(signature = (*tools))]
    fn minus(&self, py: Python<'_>, tools: Vec<PyRef<'_, Solid>>) -> PyResult<Solid> {
        let tools: Vec<&CoreSolid> = tools.iter().map(|t| &t.0).collect();
        run_plain(py, How::default(), |job| boolean::subtract(&self.0, &tools, job))
            .map(|cut| Solid(cut.solid))
    }

    fn __repr__(&self) -> String {
        show("Solid", &self.0)
    }

    fn __reduce__<'py>(slf: &Bound<'py, Solid>) -> PyResult<Bound<'py, PyTuple>> {
        pickled(slf.as_any(), "from_bytes", &slf.get().0)
    }

    /// The object as compact bytes, which hold nothing but data.
    fn to_bytes<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyBytes>> {
        Ok(PyBytes::new(py, &format::to_bytes(&self.0).or_raise(py)?))
    }

    /// Reads what `to_bytes` wrote.
    #[classmethod]
    fn from_bytes(class: &Bound<'_, PyType>, bytes: &[u8]) -> PyResult<Solid> {
        format::from_bytes(bytes, "Solid").or_raise(class.py()).map(Solid)
    }
}

fn show(class: &str, mesh: &CoreMesh) -> String {
    let size = mesh.bounds().size();
    format!(
        "<{class} '{}': {} triangles, {:.2} × {:.2} × {:.2} mm>",
        mesh.name(),
        mesh.triangles().len(),
        size.x,
        size.y,
        size.z
    )
}

/// What pickle needs for an object whose class method `read` takes its core value as bytes.
pub(crate) fn pickled<'py, T: serde::Serialize>(
    object: &Bound<'py, PyAny>,
    read: &str,
    core: &T,
) -> PyResult<Bound<'py, PyTuple>> {
    let py = object.py();
    let bytes = PyBytes::new(py, &format::to_bytes(core).or_raise(py)?);
    let read = object.get_type().getattr(read)?;
    PyTuple::new(py, [read, PyTuple::new(py, [bytes])?.into_any()])
}
