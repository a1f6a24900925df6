//! numpy arrays in and out, always copied, with messages that name what does not fit.

use nalgebra::{Matrix3, Matrix4, Point3, Rotation3, UnitQuaternion};
use numpy::{PyArray1, PyArray2, PyArrayDyn, PyArrayMethods, PyUntypedArrayMethods};
use pyo3::exceptions::{PyTypeError, PyValueError};
use pyo3::prelude::*;
use vatwright::{Point, Pose};

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

/// An (m, 3) uint32 array.
pub(crate) fn from_triangles<'py>(
    py: Python<'py>,
    triangles: &[[u32; 3]],
) -> PyResult<Bound<'py, PyArray2<u32>>> {
    PyArray1::from_slice(py, triangles.as_flattened()).reshape([triangles.len(), 3])
}

/// A 4×4 float64 array.
pub(crate) fn from_pose<'py>(py: Python<'py>, pose: &Pose) -> PyResult<Bound<'py, PyArray2<f64>>> {
    let m: Matrix4<f64> = pose.to_homogeneous().transpose();
    PyArray1::from_slice(py, m.as_slice()).reshape([4, 4])
}
