//! What is up in a model: told, found from a base it stands on, or unknown.

use crate::error::Result;
use crate::mesh::measure::measure;
use crate::mesh::polygon::hull;
use crate::mesh::{Mesh, Point, Vector};
use serde::{Deserialize, Serialize};

/// How to know what is up.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Up {
    /// The model's z or y, if it stands on it.
    #[default]
    Auto,
    /// Nothing is up.
    Unknown,
    /// The model's x.
    X,
    /// The model's y.
    Y,
    /// The model's z.
    Z,
    /// This direction of the model.
    Along(Vector),
}

/// What is up in a model, and how that is known.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Upright {
    /// Unit vector in body coordinates.
    pub up: Vector,
    /// Area that the base it stands on spans, mm²; none when up was told.
    pub base_mm2: Option<f64>,
}

/// What stands on a base touches within this share of its height.
const LEVEL: f64 = 0.005;
/// The hull of a base spans at least this share of the model's box seen from above; an ellipsoid's
/// spans 0.02 of its own outline.
const LEAST_SPAN: f64 = 0.04;
/// How far the centre may lie beyond the base, as a share of the height: a figure with a pack on
/// its back needs no glue to be told which way is up.
const BEYOND: f64 = 0.05;
/// With as wide a top as that, what stands could as well stand on its head: plates, gears, boxes.
const FLAT_TOP: f64 = 0.5;

impl Upright {
    /// What is up by the user's word or by a base.
    ///
    /// # Errors
    /// [`Error::Value`](crate::Error::Value) for the zero vector.
    pub(super) fn find(mesh: &Mesh, up: Up) -> Result<Option<Upright>> {
        let told = |up: Vector| Ok(Some(Upright { up: super::unit(up)?, base_mm2: None }));
        match up {
            Up::Auto => Ok(by_base(mesh)),
            Up::Unknown => Ok(None),
            Up::X => told(Vector::x()),
            Up::Y => told(Vector::y()),
            Up::Z => told(Vector::z()),
            Up::Along(v) => told(v),
        }
    }

    /// Where models with this up face in most files (common practice, no source).
    pub(super) fn front(&self) -> Option<Vector> {
        let is = |axis: Vector| self.up.dot(&axis) > 1.0 - 1e-9;
        match () {
            () if is(Vector::z()) => Some(-Vector::y()),
            () if is(Vector::y()) => Some(Vector::z()),
            () => None,
        }
    }

    /// What is up and how that is known, in words.
    pub fn words(&self) -> String {
        let axis = [("x", 0), ("y", 1), ("z", 2)]
            .into_iter()
            .find(|(_, i)| self.up[*i] > 1.0 - 1e-9)
            .map_or_else(|| format!("{:.3?}", self.up.as_slice()), |(name, _)| name.into());
        match self.base_mm2 {
            Some(area) => {
                format!("the model's {axis} is up: it stands on a base that spans {area:.1} mm²")
            }
            None => format!("the model's {axis} is up, as told"),
        }
    }
}

/// Stands on z or y: the hull of what touches the ground is wide and holds the centre of volume.
fn by_base(mesh: &Mesh) -> Option<Upright> {
    let centre = measure(mesh).centroid;
    let size = mesh.bounds().size();
    let along = |axis: usize, up: Vector| {
        let flat = [(axis + 1) % 3, (axis + 2) % 3];
        let box_mm2 = size[flat[0]] * size[flat[1]];
        let [base, top] = [1.0, -1.0].map(|sign| {
            let z = |p: &Point| sign * p[axis];
            let low = mesh.vertices().iter().map(z).fold(f64::INFINITY, f64::min);
            let near = mesh.vertices().iter().filter(|p| z(p) <= low + LEVEL * size[axis]);
            let hull = hull(&near.map(|p| flat.map(|a| p[a])).collect::<Vec<_>>());
            let beyond = beyond_mm(&hull, flat.map(|a| centre[a]));
            if beyond <= BEYOND * size[axis] { area(&hull) } else { 0.0 }
        });
        let clear = top < FLAT_TOP * base || top < FLAT_TOP * box_mm2;
        let share = base / box_mm2.max(f64::MIN_POSITIVE);
        (share >= LEAST_SPAN && clear).then_some((share, Upright { up, base_mm2: Some(base) }))
    };
    let found = [along(2, Vector::z()), along(1, Vector::y())].into_iter().flatten();
    found.reduce(|a, b| if b.0 > a.0 { b } else { a }).map(|f| f.1)
}

/// Twice the areas of the triangles between a place and each side.
fn turns(hull: &[[f64; 2]], p: [f64; 2]) -> impl Iterator<Item = f64> {
    (0..hull.len()).map(move |i| {
        let [a, b] = [hull[i], hull[(i + 1) % hull.len()]].map(|c| [c[0] - p[0], c[1] - p[1]]);
        a[0] * b[1] - a[1] * b[0]
    })
}

/// How far a place lies beyond a hull's sides, at most a corner's sharpness too little, mm.
fn beyond_mm(hull: &[[f64; 2]], p: [f64; 2]) -> f64 {
    let sides = (0..hull.len()).map(|i| {
        let (a, b) = (hull[i], hull[(i + 1) % hull.len()]);
        (b[0] - a[0]).hypot(b[1] - a[1])
    });
    turns(hull, p).zip(sides).map(|(t, side)| -t / side).fold(f64::NEG_INFINITY, f64::max)
}

fn area(hull: &[[f64; 2]]) -> f64 {
    hull.first().map_or(0.0, |p| 0.5 * turns(hull, *p).sum::<f64>())
}
