//! numpy arrays in and out, always copied, with messages that name what does not fit.

use crate::plain;
use ciborium::Value;
use nalgebra::{Matrix3, Point3, Rotation3, SMatrix, UnitQuaternion};
use numpy::{PyArray1, PyArray2, PyArrayDyn, PyArrayMethods, PyUntypedArrayMethods};
use pyo3::exceptions::{PyTypeError, PyValueError};
use pyo3::prelude::*;
use pyo3::types::PyDict;
use serde::Serialize;
use serde::de::DeserializeOwned;
use vatwright::Point;

/// `data` as a numpy array of the given dtype, row after row in memory; only kinds of number in `kinds` are taken.
fn as_array<'py, T: numpy::Element>(
    data: &Bound<'py, PyAny>,
    place: &str,
    dtype: &str,
    kinds: &str,
) -> PyResult<Bound<'py, PyArrayDyn<T>>> {
    let numpy = data.py().import("numpy")?;
    let array = numpy.call_method1("asarray", (data,))?;
    let kind: String = array.getattr("dtype")?.getattr("kind")?.extract()?;
    // An empty list has no kind of its own: numpy calls it float64.
    let empty = array.getattr("size")?.extract::<usize>()? == 0;
    if !kinds.contains(&kind) && !empty {
        let found = array.getattr("dtype")?;
        return Err(PyTypeError::new_err(format!("{place} must hold {dtype}, not {found}")));
    }
    let array = numpy.call_method1("ascontiguousarray", (array, dtype))?;
    Ok(array.cast_into::<PyArrayDyn<T>>()?)
}

/// The rows of an (n, 3) array.
fn rows<T: numpy::Element + Copy>(
    array: &Bound<'_, PyArrayDyn<T>>,
    place: &str,
) -> PyResult<Vec<[T; 3]>> {
    if array.len() == 0 {
        return Ok(Vec::new());
    }
    if array.ndim() != 2 || array.shape()[1] != 3 {
        return Err(PyValueError::new_err(format!(
            "{place} must have shape (n, 3), not {:?}",
            array.shape()
        )));
    }
    let flat = array.to_vec()?;
    Ok(flat.chunks_exact(3).map(|c| [c[0], c[1], c[2]]).collect())
}

/// Points from an (n, 3) array of real numbers.
pub(crate) fn points(data: &Bound<'_, PyAny>, place: &str) -> PyResult<Vec<Point>> {
    let array = as_array::<f64>(data, place, "float64", "fiu")?;
    Ok(rows(&array, place)?.into_iter().map(Point3::from).collect())
}

/// Index triples from an (m, 3) array of whole numbers.
pub(crate) fn triangles(data: &Bound<'_, PyAny>, place: &str) -> PyResult<Vec<[u32; 3]>> {
    let array = as_array::<i64>(data, place, "int64", "iu")?;
    rows(&array, place)?
        .into_iter()
        .enumerate()
        .map(|(i, t)| {
            let index = |v| u32::try_from(v).ok();
            match t.map(index) {
                [Some(a), Some(b), Some(c)] => Ok([a, b, c]),
                _ => Err(PyValueError::new_err(format!("{place}[{i}] = {t:?} is no index triple"))),
            }
        })
        .collect()
}

/// Flags from a bool array of the given length.
pub(crate) fn flags(data: &Bound<'_, PyAny>, place: &str, length: usize) -> PyResult<Vec<bool>> {
    let array = as_array::<bool>(data, place, "bool", "b")?;
    if array.shape() != [length] {
        return Err(PyValueError::new_err(format!(
            "{place} must have shape ({length},), not {:?}",
            array.shape()
        )));
    }
    Ok(array.to_vec()?)
}

/// Numbers from a float array of the given length.
pub(crate) fn numbers(data: &Bound<'_, PyAny>, place: &str, length: usize) -> PyResult<Vec<f32>> {
    let array = as_array::<f32>(data, place, "float32", "fiu")?;
    if array.shape() != [length] {
        return Err(PyValueError::new_err(format!(
            "{place} must have shape ({length},), not {:?}",
            array.shape()
        )));
    }
    Ok(array.to_vec()?)
}

/// A rotation from a 3×3 matrix.
pub(crate) fn rotation(data: &Bound<'_, PyAny>, place: &str) -> PyResult<UnitQuaternion<f64>> {
    let array = as_array::<f64>(data, place, "float64", "fiu")?;
    let rows = rows(&array, place)?;
    let [a, b, c] = rows[..] else {
        return Err(PyValueError::new_err(format!("{place} must have shape (3, 3)")));
    };
    let m = Matrix3::from_row_slice(&[a, b, c].concat());
    let error = (m * m.transpose() - Matrix3::identity()).abs().max();
    // Rounding of a rotation written with six digits stays below this.
    if !(error < 1e-5 && m.determinant() > 0.0) {
        return Err(PyValueError::new_err(format!(
            "{place} is no rotation: rows must be orthonormal and right-handed"
        )));
    }
    Ok(UnitQuaternion::from_rotation_matrix(&Rotation3::from_matrix(&m)))
}

/// An (n, 3) float64 array.
pub(crate) fn from_points<'py>(
    py: Python<'py>,
    points: &[Point],
) -> PyResult<Bound<'py, PyArray2<f64>>> {
    let flat = points.iter().flat_map(|p| [p.x, p.y, p.z]).collect();
    PyArray1::from_vec(py, flat).reshape([points.len(), 3])
}

/// Numbers as an array of rows of so many columns.
pub(crate) fn reshaped<T: numpy::Element>(
    py: Python<'_>,
    flat: Vec<T>,
    columns: usize,
) -> PyResult<Bound<'_, PyArray2<T>>> {
    let rows = flat.len() / columns;
    PyArray1::from_vec(py, flat).reshape([rows, columns])
}

/// An (m, 3) uint32 array.
pub(crate) fn from_triangles<'py>(
    py: Python<'py>,
    triangles: &[[u32; 3]],
) -> PyResult<Bound<'py, PyArray2<u32>>> {
    PyArray1::from_slice(py, triangles.as_flattened()).reshape([triangles.len(), 3])
}

/// A square float64 array.
pub(crate) fn from_matrix<'py, const N: usize>(
    py: Python<'py>,
    matrix: SMatrix<f64, N, N>,
) -> PyResult<Bound<'py, PyArray2<f64>>> {
    PyArray1::from_slice(py, matrix.transpose().as_slice()).reshape([N, N])
}

/// A picture as a (rows, columns) uint8 array.
pub(crate) fn from_mask(
    py: Python<'_>,
    bytes: Vec<u8>,
    shape: [usize; 2],
) -> PyResult<Bound<'_, PyArray2<u8>>> {
    PyArray1::from_vec(py, bytes).reshape(shape)
}

/// Records of numbers as a dict of columns, each a numpy array.
pub(crate) fn table<'py, T: Serialize + DeserializeOwned>(
    py: Python<'py>,
    rows: &[T],
) -> PyResult<Bound<'py, PyDict>> {
    let numpy = py.import("numpy")?;
    let fields = plain::fields::<T>();
    let mut columns = vec![Vec::with_capacity(rows.len()); fields.len()];
    for row in rows {
        let Value::Map(entries) = plain::to_value(row)? else {
            return Err(PyTypeError::new_err("a row of a table is no record"));
        };
        for (column, (_, value)) in columns.iter_mut().zip(entries) {
            column.push(value);
        }
    }
    let dict = PyDict::new(py);
    for (field, column) in fields.iter().zip(columns) {
        let column = plain::value_to_py(py, &Value::Array(column))?;
        dict.set_item(field, numpy.call_method1("array", (column,))?)?;
    }
    Ok(dict)
}
