//! Supports: the structure as arrays, its frame for any solver, and changes by hand.

use crate::arrays;
use crate::errors::OrRaise;
use crate::mesh::Mesh;
use crate::part::Part;
use crate::record::record;
use crate::report::Report;
use crate::run::{How, run};
use crate::setup::{Setup, given};
use numpy::{PyArray1, PyArray2};
use pyo3::prelude::*;
use std::ops::Range;
use std::sync::Arc;
use vatwright::Supports as CoreSupports;
use vatwright::mechanics::frame::{Beam, Profile};
use vatwright::mechanics::peel::Pull;
use vatwright::passes::Edit as CoreEdit;
use vatwright::structure::SupportFrame;

record!(Tip, vatwright::Tip, "One end of a support on the part, in plate coordinates.");

fn tips(of: &[vatwright::Tip]) -> Vec<Tip> {
    of.iter().cloned().map(Tip).collect()
}

fn pairs(
    py: Python<'_>,
    ends: impl Iterator<Item = [u32; 2]>,
) -> PyResult<Bound<'_, PyArray2<u32>>> {
    let flat: Vec<u32> = ends.flatten().collect();
    arrays::reshaped(py, flat, 2)
}

/// The supports of one part as a structure and as geometry; plate coordinates, mm.
#[pyclass(frozen, eq, module = "vatwright")]
#[derive(PartialEq)]
pub(crate) struct Supports(pub(crate) Arc<CoreSupports>);

#[pymethods]
impl Supports {
    /// Joints, (n, 3).
    #[getter]
    fn nodes<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray2<f64>>> {
        arrays::from_points(py, &self.0.nodes)
    }

    /// Bars between two nodes, (m, 2).
    #[getter]
    fn members<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray2<u32>>> {
        pairs(py, self.0.members.iter().map(|m| [m.a, m.b]))
    }

    /// Diameter of each bar, (m,).
    #[getter]
    fn diameters_mm<'py>(&self, py: Python<'py>) -> Bound<'py, PyArray1<f64>> {
        PyArray1::from_iter(py, self.0.members.iter().map(|m| m.diameter_mm))
    }

    /// Nodes that stand on raft, plate or part and do not move, (k,).
    #[getter]
    fn feet<'py>(&self, py: Python<'py>) -> Bound<'py, PyArray1<u32>> {
        PyArray1::from_slice(py, &self.0.feet)
    }

    /// Contacts that carry the part.
    #[getter]
    fn tips(&self) -> Vec<Tip> {
        tips(&self.0.tips)
    }

    /// Contacts on which columns stand where no way led to raft or plate; their nodes are feet.
    #[getter]
    fn landings(&self) -> Vec<Tip> {
        tips(&self.0.landings)
    }

    /// Watertight pieces that overlap by design.
    #[getter]
    fn mesh(&self) -> Mesh {
        self.0.mesh.clone().into()
    }

    /// The frame that mechanics solves, with the green resin of a setup.
    #[pyo3(signature = (setup = None))]
    fn frame(&self, setup: Option<PyRef<'_, Setup>>) -> Frame {
        let r = given(setup).resin;
        Frame(SupportFrame::whole(&self.0, r.green_modulus_mpa, r.poisson))
    }

    fn __repr__(&self) -> String {
        let s = &self.0;
        format!(
            "<Supports: {} tips, {} bars, {} feet, {} of them on the part>",
            s.tips.len(),
            s.members.len(),
            s.feet.len(),
            s.landings.len()
        )
    }
}

/// Supports as a frame of beams with the part as a rigid body on their tips: plain arrays that any
/// general-purpose solver takes, and the answer of the solver inside.
#[pyclass(frozen, module = "vatwright")]
pub(crate) struct Frame(SupportFrame);

impl Frame {
    fn of_beams<'py>(
        &self,
        py: Python<'py>,
        value: impl Fn(&Beam) -> f64,
    ) -> Bound<'py, PyArray1<f64>> {
        PyArray1::from_iter(py, self.0.frame.beams.iter().map(value))
    }

    fn of_ends<'py>(
        &self,
        py: Python<'py>,
        value: impl Fn(&Profile) -> f64,
    ) -> PyResult<Bound<'py, PyArray2<f64>>> {
        let ends = self.0.frame.beams.iter().flat_map(|b| [value(&b.profile), value(&b.end)]);
        arrays::reshaped(py, ends.collect(), 2)
    }
}

#[pymethods]
impl Frame {
    /// Joints, mm, (n, 3): those of the supports, the body, then a contact for each tip.
    #[getter]
    fn nodes<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray2<f64>>> {
        arrays::from_points(py, &self.0.frame.nodes)
    }

    /// Beams between two nodes, (m, 2): those of the supports, then a neck for each tip and landing.
    #[getter]
    fn beams<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray2<u32>>> {
        pairs(py, self.0.frame.beams.iter().map(|b| [b.a, b.b]))
    }

    /// Area of each beam's section where it begins and where it ends, mm², (m, 2); necks taper.
    #[getter]
    fn area_mm2<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray2<f64>>> {
        self.of_ends(py, |p| p.area_mm2)
    }

    /// Second moment of area of each beam's round section about any diameter where it begins and
    /// where it ends, mm⁴, (m, 2).
    #[getter]
    fn inertia_mm4<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray2<f64>>> {
        self.of_ends(py, |p| p.iy_mm4)
    }

    /// Torsion constant of each beam's section where it begins and where it ends, mm⁴, (m, 2).
    #[getter]
    fn torsion_mm4<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyArray2<f64>>> {
        self.of_ends(py, |p| p.torsion_mm4)
    }

    /// Young's modulus of each beam, MPa, (m,).
    #[getter]
    fn modulus_mpa<'py>(&self, py: Python<'py>) -> Bound<'py, PyArray1<f64>> {
        self.of_beams(py, |b| b.modulus_mpa)
    }

    /// Shear modulus of each beam, MPa, (m,).
    #[getter]
    fn shear_mpa<'py>(&self, py: Python<'py>) -> Bound<'py, PyArray1<f64>> {
        self.of_beams(py, |b| b.shear_mpa)
    }

    /// Nodes that neither move nor turn, (k,).
    #[getter]
    fn clamped<'py>(&self, py: Python<'py>) -> Bound<'py, PyArray1<u32>> {
        PyArray1::from_iter(py, self.0.frame.holds.iter().map(|h| h.node))
    }

    /// The node that stands for the part.
    #[getter]
    fn body(&self) -> u32 {
        self.0.body
    }

    /// Nodes that move with the body as if cast in one piece with it, (t,).
    #[getter]
    fn tied<'py>(&self, py: Python<'py>) -> Bound<'py, PyArray1<u32>> {
        PyArray1::from_iter(py, self.0.frame.ties.iter().flat_map(|t| t.nodes.iter().copied()))
    }

    /// Numbers of the tips' necks, first and one past the last; those of landings follow.
    #[getter]
    fn tips(&self) -> (usize, usize) {
        let Range { start, end } = self.0.tips;
        (start, end)
    }

    /// Displacements (mm) and turns (rad) of all nodes, (n, 6), and in all beams the axial force
    /// (N, positive in tension), (m,), and the greatest stress, |N|/A + M·r/I (MPa), (m,), under a
    /// pull on the part along +z at a place.
    #[allow(clippy::type_complexity)] // three arrays
    fn solve<'py>(
        &self,
        py: Python<'py>,
        force_n: f64,
        x_mm: f64,
        y_mm: f64,
    ) -> PyResult<(Bound<'py, PyArray2<f64>>, Bound<'py, PyArray1<f64>>, Bound<'py, PyArray1<f64>>)>
    {
        let frame = &self.0.frame;
        let load = self.0.load(Pull { force_n, x_mm, y_mm });
        let solved = frame.factor().and_then(|f| f.solve(&[load])).or_raise(py)?;
        let motions = solved.motions.iter().flatten().copied().collect();
        let beams = 0..frame.beams.len();
        let axial = PyArray1::from_iter(py, beams.clone().map(|i| solved.axial_n(i)));
        let stress = PyArray1::from_iter(
            py,
            beams.map(|i| solved.stress_mpa(frame, i).into_iter().fold(0.0, f64::max)),
        );
        Ok((arrays::reshaped(py, motions, 6)?, axial, stress))
    }
}

/// Supports under change by hand. Every change gives a new one and leaves the old as it was.
#[pyclass(frozen, module = "vatwright")]
pub(crate) struct SupportEdit {
    edit: CoreEdit,
    setup: vatwright::Setup,
}

impl SupportEdit {
    /// Opens the supports of a part.
    pub(crate) fn open(
        py: Python<'_>,
        options: &vatwright::passes::Support,
        part: &Part,
        setup: vatwright::Setup,
        how: How,
    ) -> PyResult<SupportEdit> {
        let part = vatwright::Part::clone(&part.0);
        let edit = run(py, setup.clone(), how, |ctx| options.edit(part, ctx))?;
        Ok(SupportEdit { edit, setup })
    }

    fn changed(
        &self,
        py: Python<'_>,
        change: impl FnOnce(&vatwright::Context) -> vatwright::Result<CoreEdit> + Send,
    ) -> PyResult<SupportEdit> {
        let edit = run(py, self.setup.clone(), How::default(), change)?;
        Ok(SupportEdit { edit, setup: self.setup.clone() })
    }
}

#[pymethods]
impl SupportEdit {
    /// The tips as they are now.
    #[getter]
    fn tips(&self) -> Vec<Tip> {
        tips(self.edit.tips())
    }

    /// The part with its supports as they are now.
    #[getter]
    fn part(&self) -> Part {
        self.edit.done().value.clone().into()
    }

    /// All that is to be said about the supports as they are now.
    #[getter]
    fn report(&self) -> Report {
        Report(self.edit.done().report.clone())
    }

    /// How many layers the last change made it look at again.
    #[getter]
    fn layers_looked_at(&self) -> usize {
        self.edit.layers_looked_at()
    }

    /// One tip more, on the underside nearest above or below a place, mm.
    fn add(&self, py: Python<'_>, place: [f64; 3]) -> PyResult<SupportEdit> {
        self.changed(py, |ctx| self.edit.add(place.into(), ctx))
    }

    /// A tip moved to the underside nearest above or below a place, mm.
    fn moved(&self, py: Python<'_>, tip: usize, place: [f64; 3]) -> PyResult<SupportEdit> {
        self.changed(py, |ctx| self.edit.moved(tip, place.into(), ctx))
    }

    /// The supports without some tips; those that stay keep their order.
    fn without(&self, py: Python<'_>, tips: Vec<usize>) -> PyResult<SupportEdit> {
        self.changed(py, |ctx| self.edit.without(&tips, ctx))
    }

    fn __repr__(&self) -> String {
        format!(
            "<SupportEdit of '{}': {} tips>",
            self.edit.done().value.name,
            self.edit.tips().len()
        )
    }
}
