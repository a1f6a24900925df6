//! Solids made by code: models for demos, notebooks and tests.

use crate::errors::OrRaise;
use crate::mesh::Solid;
use crate::run::{How, run_plain};
use pyo3::prelude::*;
use vatwright::mesh::shapes as core;

/// One function a shape: name and numbers as in the core. Those that take long go through the door
/// of long work.
macro_rules! shapes {
    (
        long { $($long:ident($($larg:ident: $ltype:ty $(= $ldefault:tt)?),*);)* }
        $($name:ident($($arg:ident: $type:ty $(= $default:tt)?),*);)*
    ) => {
        $(
            #[pyfunction]
            #[pyo3(signature = (
                $($larg $(= $ldefault)?,)* *, progress = None, threads = None
            ))]
            fn $long(
                py: Python<'_>,
                $($larg: $ltype,)*
                progress: Option<Py<PyAny>>,
                threads: Option<usize>,
            ) -> PyResult<Solid> {
                let how = How { progress, threads };
                run_plain(py, how, |job| core::$long($($larg,)* job)).map(Solid)
            }
        )*
        $(
            #[pyfunction]
            #[pyo3(signature = ($($arg $(= $default)?),*))]
            fn $name(py: Python<'_>, $($arg: $type),*) -> PyResult<Solid> {
                core::$name($($arg),*).or_raise(py).map(Solid)
            }
        )*

        /// Adds every shape to the module.
        pub(crate) fn add(m: &Bound<'_, PyModule>) -> PyResult<()> {
            $( m.add_function(wrap_pyfunction!($long, m)?)?; )*
            $( m.add_function(wrap_pyfunction!($name, m)?)?; )*
            Ok(())
        }
    };
}

shapes! {
    long {
        figure(seed: u64, height_mm: f64 = 75.0, triangles: usize = 50_000);
        figure_of_shells(seed: u64, height_mm: f64 = 75.0, triangles: usize = 50_000);
    }
    gear(module_mm: f64, teeth: usize, width_mm: f64, bore_mm: f64 = 0.0, steps: usize = 12);
    plano_convex(radius_mm: f64, diameter_mm: f64, center_mm: f64, segments: usize = 128);
    biconvex(
        lower_mm: f64, upper_mm: f64, diameter_mm: f64, center_mm: f64, segments: usize = 128
    );
    fresnel(
        focal_mm: f64, index: f64, diameter_mm: f64, groove_mm: f64, base_mm: f64,
        segments: usize = 128
    );
    lenticular(
        radius_mm: f64, index: f64, pitch_mm: f64, length_mm: f64, width_mm: f64,
        segments: usize = 32
    );
    cuboid(x_mm: f64, y_mm: f64, z_mm: f64);
    sphere(radius_mm: f64, triangles: usize = 20_000);
    cylinder(radius_mm: f64, height_mm: f64, segments: usize = 128);
    cone(radius_mm: f64, height_mm: f64, segments: usize = 128);
    torus(ring_mm: f64, tube_mm: f64, segments: usize = 128);
    tube(outer_mm: f64, inner_mm: f64, height_mm: f64, segments: usize = 128);
    bowl(outer_mm: f64, wall_mm: f64, hole_mm: f64 = 0.0, segments: usize = 128);
    hollow_sphere(outer_mm: f64, inner_mm: f64, triangles: usize = 20_000);
}
