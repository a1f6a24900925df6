//! Recipe: passes in order, the built-in ones and any Python object with a name and an `apply`.

use crate::errors::{self, OrRaise};
use crate::health::Repair;
use crate::part::Part;
use crate::passes::{
    Check, Compensate, Estimate, Hollow, Orient, Pack, Print, Raft, Support, Vent,
};
use crate::report::{Done, Report};
use crate::run::{How, Slot, run};
use crate::setup::{Setup, given};
use pyo3::exceptions::PyTypeError;
use pyo3::prelude::*;
use pyo3::types::{PyTuple, PyType};
use std::path::PathBuf;
use std::sync::Arc;
use vatwright::passes::Pass;
use vatwright::{Context, Error, Recipe as CoreRecipe, Step};

/// The built-in passes: each Python class and the step it is.
macro_rules! steps {
    ($($class:ident),*) => {
        /// The core step of a built-in pass.
        fn to_step(object: &Bound<'_, PyAny>) -> Option<Step> {
            $( if let Ok(pass) = object.cast::<$class>() {
                return Some(Step::$class(pass.get().0.clone()));
            } )*
            None
        }

        /// The Python object of a built-in step.
        fn from_step(py: Python<'_>, step: Step) -> PyResult<Py<PyAny>> {
            match step {
                $( Step::$class(pass) => Ok(Py::new(py, $class(pass))?.into_any()), )*
                other => Err(PyTypeError::new_err(format!("{other:?} has no Python form"))),
            }
        }
    };
}
steps!(Repair, Orient, Hollow, Vent, Raft, Compensate, Support, Check);

/// Passes in order, itself a pass.
#[pyclass(frozen, module = "vatwright")]
pub(crate) struct Recipe(Vec<Py<PyAny>>);

impl Recipe {
    fn from_core(py: Python<'_>, recipe: CoreRecipe) -> PyResult<Recipe> {
        let steps = recipe.steps.into_iter().map(|step| from_step(py, step));
        Ok(Recipe(steps.collect::<PyResult<_>>()?))
    }

    /// The core recipe; what a Python pass raises lands in `raised`.
    fn to_core(&self, py: Python<'_>, raised: &Raised) -> PyResult<CoreRecipe> {
        let steps = self.0.iter().map(|object| {
            if let Some(step) = to_step(object.bind(py)) {
                return Ok(step);
            }
            let name = object.getattr(py, "name")?.extract(py)?;
            let own = OwnPass { name, object: object.clone_ref(py), raised: raised.clone() };
            Ok(Step::Own(Arc::new(own)))
        });
        Ok(CoreRecipe { steps: steps.collect::<PyResult<_>>()? })
    }
}

#[pymethods]
impl Recipe {
    /// Without passes: the whole way with every default.
    #[new]
    #[pyo3(signature = (passes = None))]
    fn new(py: Python<'_>, passes: Option<Vec<Py<PyAny>>>) -> PyResult<Recipe> {
        let Some(passes) = passes else {
            return Recipe::from_core(py, CoreRecipe::default());
        };
        for (i, object) in passes.iter().enumerate() {
            let object = object.bind(py);
            let own = || -> PyResult<bool> {
                object.getattr("name")?.extract::<String>()?;
                Ok(object.getattr("apply")?.is_callable())
            };
            let other = object.is_instance_of::<PyType>()
                || object.is_instance_of::<Pack>()
                || object.is_instance_of::<Estimate>()
                || object.is_instance_of::<Print>();
            if other || (to_step(object).is_none() && !own().unwrap_or(false)) {
                let class = object.get_type();
                return Err(PyTypeError::new_err(format!(
                    "step {i} of the recipe, {class}, is no pass over parts: it needs a `name` \
                     and a method `apply(part, setup)`"
                )));
            }
        }
        Ok(Recipe(passes))
    }

    /// Reads a recipe from a TOML or JSON file.
    #[staticmethod]
    fn load(py: Python<'_>, path: PathBuf) -> PyResult<Recipe> {
        let text = std::fs::read_to_string(&path)
            .map_err(|source| Error::Io { path: path.clone(), action: "read", source })
            .or_raise(py)?;
        let place = path.display().to_string();
        let json = path.extension().is_some_and(|e| e.eq_ignore_ascii_case("json"));
        let recipe = if json {
            CoreRecipe::from_json(&text, &place)
        } else {
            CoreRecipe::from_toml(&text, &place)
        };
        Recipe::from_core(py, recipe.or_raise(py)?)
    }

    /// Reads a recipe from TOML text; `place` names it in messages.
    #[staticmethod]
    #[pyo3(signature = (text, *, place = "text"))]
    fn from_toml(py: Python<'_>, text: &str, place: &str) -> PyResult<Recipe> {
        Recipe::from_core(py, CoreRecipe::from_toml(text, place).or_raise(py)?)
    }

    /// Reads a recipe from JSON text; `place` names it in messages.
    #[staticmethod]
    #[pyo3(signature = (text, *, place = "text"))]
    fn from_json(py: Python<'_>, text: &str, place: &str) -> PyResult<Recipe> {
        Recipe::from_core(py, CoreRecipe::from_json(text, place).or_raise(py)?)
    }

    /// The recipe as TOML, every option included.
    fn to_toml(&self, py: Python<'_>) -> PyResult<String> {
        self.to_core(py, &Raised::default())?.to_toml().or_raise(py)
    }

    /// The recipe as JSON, every option included.
    fn to_json(&self, py: Python<'_>) -> PyResult<String> {
        self.to_core(py, &Raised::default())?.to_json().or_raise(py)
    }

    /// How a file becomes a solid before the recipe works on it: the recipe's own first step, if
    /// that is a Repair, else one with every default.
    #[getter]
    fn repair(&self, py: Python<'_>) -> PyResult<Repair> {
        Ok(Repair(self.to_core(py, &Raised::default())?.repair()))
    }

    /// Name of the pass.
    #[getter]
    fn name(&self) -> &'static str {
        "recipe"
    }

    #[getter]
    fn passes<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyTuple>> {
        PyTuple::new(py, &self.0)
    }

    /// Runs the passes on a part, one after the other.
    #[pyo3(signature = (part, setup = None, *, progress = None, threads = None))]
    fn apply(
        &self,
        py: Python<'_>,
        part: &Part,
        setup: Option<PyRef<'_, Setup>>,
        progress: Option<Py<PyAny>>,
        threads: Option<usize>,
    ) -> PyResult<Done> {
        let raised = Raised::default();
        let recipe = self.to_core(py, &raised)?;
        let part = vatwright::Part::clone(&part.0);
        let how = How { progress, threads };
        let done = run(py, given(setup), how, |ctx| recipe.apply(part, ctx));
        // A pass that raised made the core stop; anything else that stopped it comes first.
        let done = done.map_err(|e| match raised.0.lock().take() {
            Some(own) if errors::is_cancelled(py, &e) => own,
            _ => e,
        })?;
        Done::wrap(py, done, Part::from)
    }

    fn __eq__(&self, py: Python<'_>, other: &Bound<'_, Recipe>) -> PyResult<bool> {
        self.passes(py)?.eq(other.get().passes(py)?)
    }

    fn __repr__(&self, py: Python<'_>) -> PyResult<String> {
        let steps = self.0.iter().map(|p| Ok(p.bind(py).repr()?.to_string()));
        Ok(format!("Recipe([{}])", steps.collect::<PyResult<Vec<_>>>()?.join(", ")))
    }

    fn __reduce__<'py>(slf: &Bound<'py, Recipe>) -> PyResult<Bound<'py, PyAny>> {
        let py = slf.py();
        let passes = slf.get().passes(py)?.to_list();
        Ok((slf.get_type(), (passes,)).into_pyobject(py)?.into_any())
    }
}

/// Where the exception of a Python pass waits while the core winds up the work.
#[derive(Clone, Default)]
struct Raised(Arc<Slot<Option<PyErr>>>);

/// A Python object as a step of a core recipe.
struct OwnPass {
    name: String,
    object: Py<PyAny>,
    raised: Raised,
}

impl OwnPass {
    fn call(&self, py: Python<'_>, part: vatwright::Part, ctx: &Context) -> PyResult<CoreDone> {
        let setup = Py::new(py, Setup(vatwright::Setup::clone(&ctx.setup)))?;
        let name = part.name.clone();
        let out = self.object.bind(py).call_method1("apply", (Part::from(part), setup))?;
        // A bare part is enough of an answer.
        let (value, report) = match out.cast::<Done>() {
            Ok(done) => {
                let report = done.getattr("report")?.cast_into::<Report>()?;
                (done.getattr("value")?, report.get().0.clone())
            }
            Err(_) => (out, vatwright::Report::new(&self.name, &name)),
        };
        let part = value.cast::<Part>().map_err(|_| {
            let class = value.get_type();
            PyTypeError::new_err(format!("pass '{}' gave back {class}, not a Part", self.name))
        })?;
        Ok(CoreDone { value: vatwright::Part::clone(&part.get().0), report })
    }
}

type CoreDone = vatwright::Done<vatwright::Part>;

impl Pass<vatwright::Part> for OwnPass {
    type Out = vatwright::Part;

    fn name(&self) -> &str {
        &self.name
    }

    fn apply(&self, part: vatwright::Part, ctx: &Context) -> vatwright::Result<CoreDone> {
        Python::attach(|py| self.call(py, part, ctx)).map_err(|e| {
            *self.raised.0.lock() = Some(e);
            Error::Cancelled
        })
    }
}
