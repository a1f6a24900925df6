//! The passes as Python classes: options as keywords, `apply` through the one door.

use crate::part::Part;
use crate::plate::Plate;
use crate::record::record;
use crate::report::Done;
use crate::run::{How, run};
use crate::setup::{Setup, given};
use crate::supports::SupportEdit;
use numpy::PyArray1;
use pyo3::exceptions::PyTypeError;
use pyo3::prelude::*;
use std::sync::Arc;
use vatwright::passes::{self as core, Pass};

/// A pass that takes a part and gives back a changed one.
macro_rules! part_pass {
    ($name:ident, $core:ty, $doc:literal) => {
        part_pass!($name, $core, $doc, nested {}, {});
    };
    ($name:ident, $core:ty, $doc:literal, nested $nested:tt, { $($own:tt)* }) => {
        record!($name, $core, $doc, check <$core as Pass<vatwright::Part>>::validate, nested $nested, {
            /// Name of the pass.
            #[getter]
            fn name(&self) -> &str {
                self.0.name()
            }

            /// Does the work on a part.
            #[pyo3(signature = (part, setup = None, *, progress = None, threads = None))]
            fn apply(
                &self,
                py: Python<'_>,
                part: &Part,
                setup: Option<PyRef<'_, Setup>>,
                progress: Option<Py<PyAny>>,
                threads: Option<usize>,
            ) -> PyResult<Done> {
                let part = vatwright::Part::clone(&part.0);
                let how = How { progress, threads };
                let done = run(py, given(setup), how, |ctx| self.0.apply(part, ctx))?;
                Done::wrap(py, done, Part::from)
            }

            $($own)*
        });
    };
}

record!(Weights, core::orient::Weights, "Importance of each term of a pose.");
record!(Terms, core::orient::Terms, "What a pose costs; less is better in each.");
record!(Candidate, core::orient::Candidate, "A pose that was judged.", nested { terms: Terms }, {});
record!(Tilt, core::orient::Tilt, "A tilt and what it costs.", nested { terms: Terms }, {});
part_pass!(Orient, core::Orient, "Chooses the pose.", nested { weights: Weights }, {
    /// Judges directions: all of them at coarse pitch, then the best at fine pitch, best first.
    #[pyo3(signature = (part, setup = None, *, progress = None, threads = None))]
    fn search(
        &self,
        py: Python<'_>,
        part: &Part,
        setup: Option<PyRef<'_, Setup>>,
        progress: Option<Py<PyAny>>,
        threads: Option<usize>,
    ) -> PyResult<(Vec<Candidate>, Vec<Candidate>)> {
        let how = How { progress, threads };
        let found = run(py, given(setup), how, |ctx| self.0.search(&part.0, ctx))?;
        let wrap = |all: Vec<_>| all.into_iter().map(Candidate).collect();
        Ok((wrap(found.coarse), wrap(found.fine)))
    }

    /// All terms while the part tilts about an axis in plate coordinates, from its present pose.
    #[pyo3(signature = (part, setup = None, *, axis, from_deg, to_deg, steps,
                        progress = None, threads = None))]
    #[allow(clippy::too_many_arguments)] // keywords of the Python call
    fn sweep(
        &self,
        py: Python<'_>,
        part: &Part,
        setup: Option<PyRef<'_, Setup>>,
        axis: [f64; 3],
        from_deg: f64,
        to_deg: f64,
        steps: u32,
        progress: Option<Py<PyAny>>,
        threads: Option<usize>,
    ) -> PyResult<Vec<Tilt>> {
        let how = How { progress, threads };
        let found = run(py, given(setup), how, |ctx| {
            self.0.sweep(&part.0, axis.into(), from_deg, to_deg, steps, ctx)
        })?;
        Ok(found.into_iter().map(Tilt).collect())
    }
});
part_pass!(Hollow, core::Hollow, "Makes a cavity at constant wall.");
part_pass!(Vent, core::Vent, "Cuts holes that let air in and resin out.");
part_pass!(Raft, core::Raft, "Puts a base under the part.");
part_pass!(Compensate, core::Compensate, "Moves the surface against what the light makes of it.");
part_pass!(Support, core::Support, "Holds every island and overhang against peel.", nested {}, {
    /// Opens a part's supports for changes by hand; a part without any begins without tips.
    #[pyo3(signature = (part, setup = None, *, progress = None, threads = None))]
    fn edit(
        &self,
        py: Python<'_>,
        part: &Part,
        setup: Option<PyRef<'_, Setup>>,
        progress: Option<Py<PyAny>>,
        threads: Option<usize>,
    ) -> PyResult<SupportEdit> {
        SupportEdit::open(py, &self.0, part, given(setup), How { progress, threads })
    }
});
part_pass!(Check, vatwright::check::Check, "Says layer by layer what would fail.");

record!(Pack, core::Pack, "Places many parts on the fewest, shortest plates.", {
    /// Name of the pass.
    #[getter]
    fn name(&self) -> &str {
        self.0.name()
    }

    /// Packs parts into plates.
    #[pyo3(signature = (parts, setup = None, *, progress = None, threads = None))]
    fn apply(
        &self,
        py: Python<'_>,
        parts: Vec<PyRef<'_, Part>>,
        setup: Option<PyRef<'_, Setup>>,
        progress: Option<Py<PyAny>>,
        threads: Option<usize>,
    ) -> PyResult<Done> {
        let parts: Vec<_> = parts.iter().map(|p| vatwright::Part::clone(&p.0)).collect();
        let how = How { progress, threads };
        let done = run(py, given(setup), how, |ctx| self.0.apply(parts, ctx))?;
        Done::wrap(py, done, |plates| plates.into_iter().map(Plate::from).collect::<Vec<_>>())
    }
});

record!(Cost, core::estimate::Cost, "What a plate will take.", {
    fn _repr_html_(slf: &Bound<'_, Cost>) -> PyResult<String> {
        crate::record::in_notebook(slf.as_any(), "cost")
    }
});
record!(Estimate, core::Estimate, "Computes time, resin and cost of a plate.", {
    /// Name of the pass.
    #[getter]
    fn name(&self) -> &str {
        self.0.name()
    }

    /// Estimates a plate.
    #[pyo3(signature = (plate, setup = None, *, progress = None, threads = None))]
    fn apply(
        &self,
        py: Python<'_>,
        plate: &Plate,
        setup: Option<PyRef<'_, Setup>>,
        progress: Option<Py<PyAny>>,
        threads: Option<usize>,
    ) -> PyResult<Done> {
        let plate = Arc::clone(&plate.0);
        let how = How { progress, threads };
        let done = run(py, given(setup), how, |ctx| self.0.apply(&*plate, ctx))?;
        Done::wrap(py, done, Cost)
    }
});

record!(Printed, core::print::Printed, "What the light leaves of a part.", {
    /// Where each facet of the body comes to lie, mm outside the model: one a facet, 0 where that
    /// cannot be said.
    #[getter]
    fn deviation_mm<'py>(&self, py: Python<'py>) -> Bound<'py, PyArray1<f64>> {
        PyArray1::from_slice(py, &self.0.deviation_mm)
    }

    fn _repr_html_(slf: &Bound<'_, Printed>) -> PyResult<String> {
        crate::record::in_notebook(slf.as_any(), "printed")
    }
});
record!(Print, core::Print, "Predicts what the light leaves of a part.", check Pass::<&vatwright::Part>::validate, nested {}, {
    /// Name of the pass.
    #[getter]
    fn name(&self) -> &str {
        Pass::<&vatwright::Part>::name(&self.0)
    }

    /// Predicts a part, or every part of a plate, copies once.
    #[pyo3(signature = (item, setup = None, *, progress = None, threads = None))]
    fn apply(
        &self,
        py: Python<'_>,
        item: &Bound<'_, PyAny>,
        setup: Option<PyRef<'_, Setup>>,
        progress: Option<Py<PyAny>>,
        threads: Option<usize>,
    ) -> PyResult<Done> {
        let how = How { progress, threads };
        if let Ok(plate) = item.cast::<Plate>() {
            let plate = &*plate.get().0;
            let done = run(py, given(setup), how, |ctx| self.0.apply(plate, ctx))?;
            return Done::wrap(py, done, |all| all.into_iter().map(Printed).collect::<Vec<_>>());
        }
        let part = item.cast::<Part>().map_err(|_| {
            let class = item.get_type();
            PyTypeError::new_err(format!("{class} is no Part and no Plate"))
        })?;
        let part = &*part.get().0;
        let done = run(py, given(setup), how, |ctx| self.0.apply(part, ctx))?;
        Done::wrap(py, done, Printed)
    }
});
