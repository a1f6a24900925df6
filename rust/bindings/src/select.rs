//! Selecting facets: one flag a facet, as numpy arrays to combine with plain boolean logic.

use crate::errors::OrRaise;
use crate::mesh::Mesh;
use numpy::PyArray1;
use pyo3::prelude::*;
use vatwright::mesh::select as core;
use vatwright::{Bounds, Point, Vector};

type Flags<'py> = PyResult<Bound<'py, PyArray1<bool>>>;

fn flags(py: Python<'_>, chosen: vatwright::Result<Vec<bool>>) -> Flags<'_> {
    Ok(PyArray1::from_vec(py, chosen.or_raise(py)?))
}

/// Facets whose outward normal lies within an angle of a direction.
#[pyfunction]
#[pyo3(signature = (mesh, direction, *, within_deg))]
fn by_normal<'py>(
    py: Python<'py>,
    mesh: &Mesh,
    direction: [f64; 3],
    within_deg: f64,
) -> Flags<'py> {
    flags(py, core::by_normal(&mesh.0, Vector::from(direction), within_deg))
}

/// Facets whose corners all lie within a tolerance of a plane.
#[pyfunction]
#[pyo3(signature = (mesh, point, normal, *, tolerance_mm = 1e-3))]
fn by_plane<'py>(
    py: Python<'py>,
    mesh: &Mesh,
    point: [f64; 3],
    normal: [f64; 3],
    tolerance_mm: f64,
) -> Flags<'py> {
    let (point, normal) = (Point::from(point), Vector::from(normal));
    flags(py, core::by_plane(&mesh.0, point, normal, tolerance_mm))
}

/// Facets whose corners all lie within a tolerance of a sphere.
#[pyfunction]
#[pyo3(signature = (mesh, center, radius_mm, *, tolerance_mm = 1e-2))]
fn by_sphere<'py>(
    py: Python<'py>,
    mesh: &Mesh,
    center: [f64; 3],
    radius_mm: f64,
    tolerance_mm: f64,
) -> Flags<'py> {
    flags(py, core::by_sphere(&mesh.0, Point::from(center), radius_mm, tolerance_mm))
}

/// Facets whose corners all lie within a tolerance of a cylinder about an axis.
#[pyfunction]
#[pyo3(signature = (mesh, point, axis, radius_mm, *, tolerance_mm = 1e-2))]
fn by_cylinder<'py>(
    py: Python<'py>,
    mesh: &Mesh,
    point: [f64; 3],
    axis: [f64; 3],
    radius_mm: f64,
    tolerance_mm: f64,
) -> Flags<'py> {
    let (point, axis) = (Point::from(point), Vector::from(axis));
    flags(py, core::by_cylinder(&mesh.0, point, axis, radius_mm, tolerance_mm))
}

/// Facets whose corners all lie in a box.
#[pyfunction]
fn by_box<'py>(py: Python<'py>, mesh: &Mesh, low: [f64; 3], high: [f64; 3]) -> Flags<'py> {
    flags(py, Ok(core::by_box(&mesh.0, &Bounds { min: low.into(), max: high.into() })))
}

/// The smooth patch around a facet, bounded by edges sharper than `crease_deg`.
#[pyfunction]
#[pyo3(signature = (mesh, seed, *, crease_deg = 20.0))]
fn patch<'py>(py: Python<'py>, mesh: &Mesh, seed: usize, crease_deg: f64) -> Flags<'py> {
    flags(py, core::patch(&mesh.0, seed, crease_deg))
}

/// Adds every function to the module.
pub(crate) fn add(m: &Bound<'_, PyModule>) -> PyResult<()> {
    for function in [
        wrap_pyfunction!(by_normal, m)?,
        wrap_pyfunction!(by_plane, m)?,
        wrap_pyfunction!(by_sphere, m)?,
        wrap_pyfunction!(by_cylinder, m)?,
        wrap_pyfunction!(by_box, m)?,
        wrap_pyfunction!(patch, m)?,
    ] {
        m.add_function(function)?;
    }
    Ok(())
}
