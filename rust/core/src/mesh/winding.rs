//! Generalised winding numbers (Jacobson, Kavan & Sorkine-Hornung 2013, from memory): how far any
//! triangles, holes, doubles and crossings included, wind around a point.
//!
//! A surface that does not close is closed by a cone over its open edges. What the closed surface
//! winds around is a whole number, counted exactly along a line; what the cone adds to it are the
//! solid angles of a few triangles, and these are taken off again. So the answer is exact to
//! rounding, and costs a search in the tree and one term an open edge.

use super::distance::Tree;
use super::edges::Edges;
use super::{Mesh, Point, Vector};
use crate::error::Result;
use crate::job::Job;
use rayon::prelude::*;
use std::f64::consts::PI;

/// A mesh made ready to be asked.
pub struct Winding {
    closed: Tree,
    cone: Vec<[Point; 3]>,
}

impl Winding {
    /// Makes a mesh ready.
    pub fn of(mesh: &Mesh) -> Winding {
        let mut cone = Vec::new();
        let edges = Edges::of(mesh.vertices().len(), mesh.triangles());
        // Off any plane or axis of the mesh, so that the cone is hardly ever asked about itself.
        let bounds = mesh.bounds();
        let aside = Vector::new(0.013_579, 0.024_683, 0.037_91) * bounds.size().norm();
        let apex = bounds.center() + aside;
        for edge in edges.iter() {
            let [low, high] = [edge.low, edge.high].map(|v| mesh.vertices()[v as usize]);
            let missing = if edge.balance() > 0 { [high, low, apex] } else { [low, high, apex] };
            cone.extend(std::iter::repeat_n(missing, edge.balance().unsigned_abs() as usize));
        }
        let own = (0..mesh.triangles().len()).map(|f| mesh.corners(f));
        Winding { closed: Tree::new(own.chain(cone.iter().copied()).collect()), cone }
    }

    /// The winding number of a point: 1 inside a closed surface, 0 outside, between them near an
    /// open one; on the surface itself the mean of its two sides or either.
    pub fn at(&self, p: &Point) -> f64 {
        let angle: f64 = self.cone.iter().map(|t| solid_angle(t, p)).sum();
        f64::from(self.closed.winding(p)) - angle / (4.0 * PI)
    }

    /// The winding numbers of many points, side by side.
    ///
    /// # Errors
    /// [`Error::Cancelled`](crate::Error::Cancelled).
    pub fn all(&self, points: &[Point], job: &Job) -> Result<Vec<f64>> {
        let at = |p| {
            job.go_on()?;
            Ok(self.at(p))
        };
        points.par_iter().map(at).collect()
    }

    /// Terms that each answer takes: edges at which the surface does not close.
    pub(crate) fn open_edges(&self) -> usize {
        self.cone.len()
    }

    /// The triangles, and those that close them.
    pub(crate) fn closed(&self) -> &Tree {
        &self.closed
    }
}

/// Solid angle under which a triangle is seen from a point, positive from behind, sr (van Oosterom
/// & Strackee 1983, IEEE Trans. Biomed. Eng. 30:125, from memory).
fn solid_angle(t: &[Point; 3], p: &Point) -> f64 {
    let [a, b, c] = t.map(|q| q - p);
    let (la, lb, lc) = (a.norm(), b.norm(), c.norm());
    let volume = a.dot(&b.cross(&c));
    let flat = la * lb * lc + a.dot(&b) * lc + b.dot(&c) * la + c.dot(&a) * lb;
    2.0 * volume.atan2(flat)
}
