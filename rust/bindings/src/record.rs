//! Records: core structs of plain data as Python classes with keyword-only values, made by one
//! macro so that adding a class is one line and adding an option is none.

use crate::plain;
use pyo3::PyClass;
use pyo3::exceptions::PyTypeError;
use pyo3::prelude::*;
use pyo3::types::{PyCFunction, PyDict, PyString, PyTuple};
use serde::Serialize;
use serde::de::DeserializeOwned;
use vatwright::options::{Options, prose};

/// A Python class around a core struct of plain data.
pub(crate) trait Record: PyClass {
    /// The core struct.
    type Core: Serialize + DeserializeOwned;
    /// Name of the class.
    const NAME: &'static str;
    /// Wraps a core value, after whatever check the core has for it.
    fn wrap(py: Python<'_>, core: Self::Core) -> PyResult<Self>;
    /// The core value.
    fn core(&self) -> &Self::Core;
}

/// Defines the class `$name` around `$core`: constructor, `replace`, `to_dict`, `repr`,
/// equality and pickling, and the methods given in braces. The optional `check` is a core
/// function that refuses values out of range; fields under `nested` are records themselves.
macro_rules! record {
    (
        $name:ident, $core:ty, $doc:literal,
        check $check:expr,
        nested { $($field:ident: $class:ident),* $(,)? },
        { $($own:tt)* }
    ) => {
        #[doc = $doc]
        #[pyclass(frozen, eq, module = "vatwright")]
        #[derive(PartialEq)]
        pub(crate) struct $name(pub(crate) $core);

        impl $crate::record::Record for $name {
            type Core = $core;
            const NAME: &'static str = stringify!($name);
            fn wrap(py: Python<'_>, core: $core) -> PyResult<Self> {
                let check: fn(&$core) -> vatwright::Result<()> = $check;
                $crate::errors::OrRaise::or_raise(check(&core), py)?;
                Ok($name(core))
            }
            fn core(&self) -> &$core {
                &self.0
            }
        }

        #[pymethods]
        impl $name {
            #[new]
            #[pyo3(signature = (**values))]
            fn new(py: Python<'_>, values: Option<Bound<'_, pyo3::types::PyDict>>) -> PyResult<Self> {
                $crate::record::build(py, values)
            }

            /// The same with some values changed; a dict changes only what it names.
            #[pyo3(signature = (**values))]
            fn replace(
                &self,
                py: Python<'_>,
                values: Option<Bound<'_, pyo3::types::PyDict>>,
            ) -> PyResult<Self> {
                $crate::record::replace(py, self, values)
            }

            /// The values as plain data.
            fn to_dict<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
                $crate::plain::to_py(py, &self.0)
            }

            fn __reduce__<'py>(&self, py: Python<'py>) -> PyResult<Bound<'py, PyAny>> {
                $crate::record::reduce(py, self)
            }

            fn __repr__(&self, py: Python<'_>) -> PyResult<String> {
                $crate::record::show(py, self)
            }

            $(
                #[getter]
                fn $field(&self) -> $class {
                    $class(self.0.$field.clone())
                }
            )*

            $($own)*
        }
    };
    ($name:ident, $core:ty, $doc:literal, nested $nested:tt, $own:tt) => {
        record!($name, $core, $doc, check |_| Ok(()), nested $nested, $own);
    };
    ($name:ident, $core:ty, $doc:literal, { $($own:tt)* }) => {
        record!($name, $core, $doc, nested {}, { $($own)* });
    };
    ($name:ident, $core:ty, $doc:literal) => {
        record!($name, $core, $doc, {});
    };
}
pub(crate) use record;

/// Builds a record from keyword arguments.
pub(crate) fn build<R: Record>(py: Python<'_>, values: Option<Bound<'_, PyDict>>) -> PyResult<R> {
    let fields = plain::fields::<R::Core>();
    let core = PyDict::new(py);
    for (key, value) in values.iter().flatten() {
        let key: String = key.extract()?;
        let Some(field) = fields.iter().find(|f| **f == key || python_name(f) == key) else {
            let known: Vec<_> = fields.iter().map(|f| python_name(f)).collect();
            let known = if known.is_empty() { "none".into() } else { known.join(", ") };
            let name = <R as Record>::NAME;
            return Err(PyTypeError::new_err(format!(
                "{name}() got an unexpected keyword '{key}'; it takes {known}"
            )));
        };
        core.set_item(field, value)?;
    }
    R::wrap(py, plain::from_py(core.as_any(), <R as Record>::NAME)?)
}

/// A record with some values changed.
pub(crate) fn replace<R: Record>(
    py: Python<'_>,
    record: &R,
    values: Option<Bound<'_, PyDict>>,
) -> PyResult<R> {
    let merged = self::values(py, record)?;
    if let Some(values) = values {
        merge(&merged, &values)?;
    }
    build(py, Some(merged))
}

fn merge(into: &Bound<'_, PyDict>, from: &Bound<'_, PyDict>) -> PyResult<()> {
    for (key, value) in from {
        match (into.get_item(&key)?, value.cast::<PyDict>()) {
            (Some(old), Ok(new)) if old.is_instance_of::<PyDict>() => {
                merge(old.cast::<PyDict>()?, new)?;
            }
            _ => into.set_item(key, value)?,
        }
    }
    Ok(())
}

/// What pickle needs: the class with its values as keywords, which later versions with more
/// options still read.
pub(crate) fn reduce<'py, R: Record>(py: Python<'py>, record: &R) -> PyResult<Bound<'py, PyAny>> {
    let values = values(py, record)?;
    let partial = py.import("functools")?.getattr("partial")?;
    let call = partial.call((R::type_object(py),), Some(&values))?;
    Ok(PyTuple::new(py, [call, PyTuple::empty(py).into_any()])?.into_any())
}

/// `Name(field=value, …)`, long values cut short.
pub(crate) fn show<R: Record>(py: Python<'_>, record: &R) -> PyResult<String> {
    let values = values(py, record)?;
    let short = py.import("reprlib")?.getattr("Repr")?.call0()?;
    for (what, most) in
        [("level", 2), ("list", 3), ("tuple", 4), ("dict", 3), ("string", 80), ("other", 40)]
    {
        short.setattr(format!("max{what}"), most)?;
    }
    let pairs = values
        .iter()
        .map(|(k, v)| Ok(format!("{}={}", k, short.call_method1("repr", (v,))?)))
        .collect::<PyResult<Vec<_>>>()?;
    Ok(format!("{}({})", <R as Record>::NAME, pairs.join(", ")))
}

/// The name of a field in Python: words of the language itself get an underscore.
fn python_name(field: &str) -> &str {
    if field == "pass" { "pass_" } else { field }
}

/// Gives the class an attribute for each field that it has no getter for, and a signature that
/// names them.
pub(crate) fn describe<R: Record>(py: Python<'_>) -> PyResult<()> {
    let class = R::type_object(py);
    let property = py.import("builtins")?.getattr("property")?;
    let inspect = py.import("inspect")?;
    let parameter = inspect.getattr("Parameter")?;
    let kind = parameter.getattr("KEYWORD_ONLY")?;
    let mut parameters = Vec::new();
    for &field in plain::fields::<R::Core>() {
        let name = python_name(field);
        parameters.push(parameter.call1((name, &kind))?);
        if class.hasattr(name)? {
            continue;
        }
        let get = PyCFunction::new_closure(py, None, None, move |args, _| {
            let record = args.get_item(0)?.cast_into::<R>()?;
            // A field that is left out when empty reads as None.
            let value = plain::field(record.borrow().core(), field)?;
            value.map(|v| plain::value_to_py(record.py(), &v).map(Bound::unbind)).transpose()
        })?;
        class.setattr(name, property.call1((get,))?)?;
    }
    class.setattr("__signature__", inspect.getattr("Signature")?.call1((parameters,))?)
}

/// Gives a class of options the core's words as its docstring, and a signature with defaults.
pub(crate) fn declare<R: Record>(py: Python<'_>) -> PyResult<()>
where
    R::Core: Options,
{
    describe::<R>(py)?;
    let class = R::type_object(py);
    let mut doc =
        format!("{}\n\nEvery value is a keyword with a default.\n", prose(R::Core::ABOUT));
    if !R::Core::OPTIONS.is_empty() {
        doc += "\nArgs:\n";
    }
    for option in R::Core::OPTIONS {
        doc += &format!("    {}: {}\n", python_name(option.name), option.prose());
    }
    class.setattr("__doc__", doc)?;
    let inspect = py.import("inspect")?;
    let defaults = class.call0()?;
    let parameters =
        class.getattr("__signature__")?.getattr("parameters")?.call_method0("values")?;
    let with_default = |p: Bound<'_, PyAny>| -> PyResult<Py<PyAny>> {
        let default = defaults.getattr(p.getattr("name")?.cast_into::<PyString>()?)?;
        let values = PyDict::new(py);
        values.set_item("default", default)?;
        Ok(p.call_method("replace", (), Some(&values))?.unbind())
    };
    let parameters =
        parameters.try_iter()?.map(|p| with_default(p?)).collect::<PyResult<Vec<_>>>()?;
    class.setattr("__signature__", inspect.getattr("Signature")?.call1((parameters,))?)
}

/// The object as a notebook shows it: a picture and the few numbers that matter.
pub(crate) fn in_notebook(object: &Bound<'_, PyAny>, kind: &str) -> PyResult<String> {
    object.py().import("vatwright.notebook")?.call_method1(kind, (object,))?.extract()
}

fn values<'py, R: Record>(py: Python<'py>, record: &R) -> PyResult<Bound<'py, PyDict>> {
    Ok(plain::to_py(py, record.core())?.cast_into()?)
}
