//! Part: the user's solid, its pose, and what the passes added.

use crate::arrays;
use crate::errors::OrRaise;
use crate::layers::Layers;
use crate::mesh::{Corners, Mesh, Solid, corners, pickled, reading};
use crate::plain;
use crate::record::record;
use crate::run::{How, run, run_plain};
use crate::setup::{Setup, given};
use crate::supports::Supports;
use numpy::{PyArray1, PyArray2};
use pyo3::prelude::*;
use pyo3::types::{PyBytes, PyTuple, PyType};
use std::path::PathBuf;
use std::sync::Arc;
use vatwright::appearance::Up;
use vatwright::check::inspect;
use vatwright::layers::{Grid, Scan};
use vatwright::mesh::io;
use vatwright::picture::View;
use vatwright::{Part as CorePart, Role, format};

record!(
    VentHole,
    vatwright::VentHole,
    "A hole that lets air in or resin out, in body coordinates."
);

record!(
    Drainage,
    vatwright::Drainage,
    "What the vent pass found of a cavity: how long it drains, and what stays in it."
);

/// A solid on its way to a plate. Passes take a part and return a changed one.
#[pyclass(frozen, eq, module = "vatwright")]
#[derive(PartialEq)]
pub(crate) struct Part(pub(crate) Arc<CorePart>);

impl From<CorePart> for Part {
    fn from(part: CorePart) -> Part {
        Part(Arc::new(part))
    }
}

/// Roles from their words; all of them when none are given.
pub(crate) fn roles(py: Python<'_>, words: Option<Bound<'_, PyAny>>) -> PyResult<Vec<Role>> {
    match words {
        None => Ok(Role::ALL.to_vec()),
        Some(words) => plain::from_py(&words, "roles").map_err(|e| {
            let known = Role::ALL.map(Role::word).join(", ");
            let error = pyo3::exceptions::PyValueError::new_err(format!("roles: one of {known}"));
            error.set_cause(py, Some(e));
            error
        }),
    }
}

#[pymethods]
impl Part {
    #[new]
    #[pyo3(signature = (body, *, name = None))]
    fn new(body: &Solid, name: Option<String>) -> Part {
        let mut part = CorePart::new(body.0.clone());
        if let Some(name) = name {
            part.name = name;
        }
        part.into()
    }

    #[getter]
    fn name(&self) -> &str {
        &self.0.name
    }

    /// The body in its own coordinates.
    #[getter]
    fn body(&self) -> Solid {
        Solid(self.0.body.clone())
    }

    /// Takes body coordinates to plate coordinates: a 4×4 matrix.
    #[getter]
    fn pose<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray2<f64>>> {
        arrays::from_matrix(py, self.0.pose.to_homogeneous())
    }

    /// One flag a facet of the body: keep it free of marks and steps.
    #[getter]
    fn keep_clean<'py>(&self, py: Python<'py>) -> Bound<'py, PyArray1<bool>> {
        let n = self.0.body.triangles().len();
        PyArray1::from_iter(py, (0..n).map(|i| self.0.is_keep_clean(i)))
    }

    /// The same part with other facets marked to be kept clean: one flag a facet of the body.
    fn marked(&self, keep_clean: &Bound<'_, PyAny>) -> PyResult<Part> {
        let flags = arrays::flags(keep_clean, "keep_clean", self.0.body.triangles().len())?;
        Ok(Part(Arc::new(CorePart { keep_clean: Arc::new(flags), ..(*self.0).clone() })))
    }

    /// The part with every facet weighed by how much it is looked at, where that is not yet known.
    /// `up`: "auto" (the model's z or y, if it stands on it), "unknown", "x", "y", "z", or a
    /// direction in body coordinates.
    #[pyo3(signature = (up = None, *, progress = None, threads = None))]
    fn appraised(
        &self,
        py: Python<'_>,
        up: Option<Bound<'_, PyAny>>,
        progress: Option<Py<PyAny>>,
        threads: Option<usize>,
    ) -> PyResult<Part> {
        let up = match up {
            None => Up::Auto,
            Some(up) => match up.extract::<[f64; 3]>() {
                Ok(along) => Up::Along(along.into()),
                Err(_) => plain::from_py(&up, "up")?,
            },
        };
        let part = CorePart { appearance: None, ..CorePart::clone(&self.0) };
        run_plain(py, How { progress, threads }, |job| part.appraised(up, job)).map(Part::from)
    }

    /// How much each facet of the body is looked at, 0 (hidden) to 1: float32, one a facet; none
    /// before `appraised`, orient or vent asked for it.
    #[getter]
    fn appearance<'py>(&self, py: Python<'py>) -> Option<Bound<'py, PyArray1<f32>>> {
        self.0.appearance.as_ref().map(|a| PyArray1::from_slice(py, &a.weights))
    }

    /// What is up, as a unit vector in body coordinates, if that is known.
    #[getter]
    fn upright(&self) -> Option<[f64; 3]> {
        self.0.appearance.as_ref()?.upright.map(|u| u.up.into())
    }

    /// The level direction towards the viewer who sees most, if one side stands out.
    #[getter]
    fn front(&self) -> Option<[f64; 3]> {
        self.0.appearance.as_ref()?.front.map(|f| f.into())
    }

    /// The same part with other weights, one a facet of the body; values beyond 0 to 1 are cut off
    /// there. To emphasise a place, multiply: `part.weighted(part.appearance * mine)`.
    fn weighted(&self, weights: &Bound<'_, PyAny>) -> PyResult<Part> {
        let (py, n) = (weights.py(), self.0.body.triangles().len());
        let weights = arrays::numbers(weights, "weights", n)?;
        let known = self.0.appearance.as_deref().cloned().unwrap_or_default();
        let seen = known.with_weights(weights).or_raise(py)?;
        Ok(Part(Arc::new(CorePart { appearance: Some(Arc::new(seen)), ..(*self.0).clone() })))
    }

    /// Closed surfaces of hollowed cavities, facing into the cavity; body coordinates.
    #[getter]
    fn cavities(&self) -> Vec<Mesh> {
        self.0.cavities.iter().cloned().map(Mesh).collect()
    }

    /// Lattice inside the cavities; body coordinates.
    #[getter]
    fn lattice(&self) -> Option<Mesh> {
        self.0.lattice.clone().map(Mesh)
    }

    /// Holes cut by the vent pass.
    #[getter]
    fn vents(&self) -> Vec<VentHole> {
        self.0.vents.iter().cloned().map(VentHole).collect()
    }

    /// What the vent pass found of each cavity, in the order of their numbers.
    #[getter]
    fn drainage(&self) -> Vec<Drainage> {
        self.0.drainage.iter().copied().map(Drainage).collect()
    }

    /// Stoppers for the vents, parts of their own.
    #[getter]
    fn plugs(&self) -> Vec<Solid> {
        self.0.plugs.iter().cloned().map(Solid).collect()
    }

    /// What it carries, if it is a bar of stoppers: the part whose holes they close, and their names.
    #[getter]
    fn bar<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
        crate::plain::to_py(py, &self.0.bar)
    }

    /// The body as it was asked for, facet by facet as `body` is, where the compensate pass moved
    /// it; body coordinates.
    #[getter]
    fn asked(&self) -> Option<Mesh> {
        self.0.asked.clone().map(Mesh)
    }

    /// The base under the part; plate coordinates.
    #[getter]
    fn raft(&self) -> Option<Mesh> {
        self.0.raft.as_ref().map(|r| r.mesh.clone().into())
    }

    /// The supports; plate coordinates.
    #[getter]
    fn supports(&self) -> Option<Supports> {
        self.0.supports.clone().map(Supports)
    }

    /// Supports, raft and body (with cavities and lattice) as one boolean solid, plate coordinates:
    /// walls between pieces that overlap dissolve. The layers need no such thing; other software
    /// may.
    #[pyo3(signature = (roles = None, *, progress = None, threads = None))]
    fn fused(
        &self,
        py: Python<'_>,
        roles: Option<Bound<'_, PyAny>>,
        progress: Option<Py<PyAny>>,
        threads: Option<usize>,
    ) -> PyResult<Solid> {
        let roles = self::roles(py, roles)?;
        let how = How { progress, threads };
        run_plain(py, how, |job| self.0.fused(&roles, job)).map(Solid)
    }

    /// Box around everything that will be printed, plate coordinates.
    #[getter]
    fn bounds(&self) -> Corners {
        corners(&self.0.bounds())
    }

    /// The part turned to a new rotation and set on the plate, lowest point at `z_mm`.
    #[pyo3(signature = (rotation, *, z_mm = 0.0))]
    fn turned(&self, rotation: &Bound<'_, PyAny>, z_mm: f64) -> PyResult<Part> {
        let py = rotation.py();
        let rotation = arrays::rotation(rotation, "rotation")?;
        self.0.turned(rotation, z_mm).or_raise(py).map(Part::from)
    }

    /// The part without raft and supports, at its pose.
    fn bare(&self) -> Part {
        self.0.bare().into()
    }

    /// The same part under another name.
    fn renamed(&self, name: String) -> Part {
        CorePart { name, ..CorePart::clone(&self.0) }.into()
    }

    /// Reads a model and proves it a solid.
    #[staticmethod]
    #[pyo3(signature = (path, *, unit_mm = None, weld_mm = 0.0, max_bytes = None))]
    fn load(
        py: Python<'_>,
        path: PathBuf,
        unit_mm: Option<f64>,
        weld_mm: f64,
        max_bytes: Option<u64>,
    ) -> PyResult<Part> {
        let options = reading(unit_mm, weld_mm, max_bytes);
        run_plain(py, How::default(), |_| {
            let mesh = io::read(path, &options)?;
            Ok(CorePart::new(vatwright::Solid::try_from(mesh)?))
        })
        .map(Part::from)
    }

    /// The surfaces of the given roles as one mesh in plate coordinates.
    #[pyo3(signature = (roles = None))]
    fn mesh(&self, py: Python<'_>, roles: Option<Bound<'_, PyAny>>) -> PyResult<Mesh> {
        Ok(self.0.mesh(&self::roles(py, roles)?).into())
    }

    /// The part as it stands on the plate as PNG, clear where nothing is: shaded, in parallel
    /// projection, each role in its own colour, vents marked. The eye stands `azimuth_deg`
    /// counter-clockwise from +x seen from above and `elevation_deg` above the horizontal plane;
    /// the longer side has `size_px` pixels.
    #[pyo3(signature = (*, azimuth_deg = 300.0, elevation_deg = 20.0, size_px = 320, roles = None))]
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

    /// Writes the given roles as one object, STL or 3MF by the file's ending, or as one node a
    /// role in its colour, glTF (.glb).
    #[pyo3(signature = (path, roles = None))]
    fn save(&self, py: Python<'_>, path: PathBuf, roles: Option<Bound<'_, PyAny>>) -> PyResult<()> {
        let roles = self::roles(py, roles)?;
        run_plain(py, How::default(), |_| self.0.write(path, &roles))
    }

    /// What the printer will see: the layers of the given roles. Layer thickness and pitch are
    /// the setup's where they are not given.
    #[pyo3(signature = (setup = None, *, layer_mm = None, pitch_mm = None, roles = None,
                        progress = None, threads = None))]
    #[allow(clippy::too_many_arguments)] // keywords of the Python call
    fn layers(
        &self,
        py: Python<'_>,
        setup: Option<PyRef<'_, Setup>>,
        layer_mm: Option<f64>,
        pitch_mm: Option<f64>,
        roles: Option<Bound<'_, PyAny>>,
        progress: Option<Py<PyAny>>,
        threads: Option<usize>,
    ) -> PyResult<Layers> {
        let setup = given(setup);
        let layer_mm = layer_mm.unwrap_or(setup.exposure.layer_mm);
        let pitch_mm = pitch_mm.unwrap_or(setup.machine.pixel_mm);
        let roles = self::roles(py, roles)?;
        run(py, setup, How { progress, threads }, |ctx| {
            let surfaces = self.0.surfaces(&roles);
            let grid = Grid::around(&surfaces, layer_mm, pitch_mm)?;
            Scan::new(&surfaces, grid).layers(&ctx.job)
        })
        .map(Layers::from)
    }

    /// How hard each neck and bar of the supports ever works, over all layers and load cases, 1 at its
    /// limit: arrays for tips, landings and members in the order of `supports`. Takes as long as a
    /// check.
    #[pyo3(signature = (setup = None, *, progress = None, threads = None))]
    fn support_uses<'py>(
        &self,
        py: Python<'py>,
        setup: Option<PyRef<'_, Setup>>,
        progress: Option<Py<PyAny>>,
        threads: Option<usize>,
    ) -> PyResult<[Bound<'py, PyArray1<f64>>; 3]> {
        let how = How { progress, threads };
        let uses = run(py, given(setup), how, |ctx| inspect(&self.0, ctx))?.uses;
        Ok([uses.tips, uses.landings, uses.members].map(|u| PyArray1::from_vec(py, u)))
    }

    fn _repr_html_(slf: &Bound<'_, Part>) -> PyResult<String> {
        crate::record::in_notebook(slf.as_any(), "part")
    }

    fn __repr__(&self) -> String {
        let p = &self.0;
        let size = p.bounds().size();
        let mut with = Vec::new();
        for (there, word) in [
            (!p.cavities.is_empty(), "hollow"),
            (!p.vents.is_empty(), "vented"),
            (p.raft.is_some(), "raft"),
            (p.supports.is_some(), "supports"),
        ] {
            if there {
                with.push(word);
            }
        }
        let with = if with.is_empty() { String::new() } else { format!(", {}", with.join(", ")) };
        format!("<Part '{}': {:.2} × {:.2} × {:.2} mm{with}>", p.name, size.x, size.y, size.z)
    }

    fn __reduce__<'py>(slf: &Bound<'py, Part>) -> PyResult<Bound<'py, PyTuple>> {
        pickled(slf.as_any(), "from_bytes", &*slf.get().0)
    }

    /// The object as compact bytes, which hold nothing but data.
    fn to_bytes<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyBytes>> {
        Ok(PyBytes::new(py, &format::to_bytes(&*self.0).or_raise(py)?))
    }

    /// Reads what `to_bytes` wrote.
    #[classmethod]
    fn from_bytes(class: &Bound<'_, PyType>, bytes: &[u8]) -> PyResult<Part> {
        format::from_bytes::<CorePart>(bytes, "Part").or_raise(class.py()).map(Part::from)
    }
}
