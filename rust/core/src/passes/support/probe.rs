//! Asks the part's surface: what lies above a point, and how near a bar passes.

use super::mouths::Mouths;
use crate::mesh::{Point, Vector};
use crate::part::{Part, Role};
use parry3d_f64::math::{Pose as ParryPose, Real, Vector as ParryVector};
use parry3d_f64::partitioning::{Bvh, BvhBuildStrategy, BvhNode};
use parry3d_f64::query::{PointQuery, Ray, RayCast, distance};
use parry3d_f64::shape::{Segment, Triangle};

/// The part's facets (body, cavities, lattice) in plate coordinates, in a tree of boxes.
pub(super) struct Probe {
    tree: Bvh,
    facets: Vec<Triangle>,
    body: usize,
    pub(super) mouths: Mouths,
}

/// Where a vertical line meets the surface.
#[derive(Clone, Copy, Debug)]
pub(super) struct Hit {
    pub(super) place: Point,
    /// Outward unit normal.
    pub(super) normal: Vector,
    /// Facet of the body; none on cavities and lattice.
    pub(super) facet: Option<u32>,
}

impl Probe {
    pub(super) fn new(part: &Part) -> Probe {
        let mut facets = Vec::new();
        for s in part.surfaces(&[Role::Body, Role::Lattice]) {
            let placed: Vec<ParryVector> =
                s.mesh.vertices().iter().map(|v| parry(&(s.pose * v))).collect();
            facets.extend(s.mesh.triangles().iter().map(|t| {
                let [a, b, c] = t.map(|v| placed[v as usize]);
                Triangle::new(a, b, c)
            }));
        }
        let boxes = facets.iter().map(Triangle::local_aabb).enumerate();
        let tree = Bvh::from_iter(BvhBuildStrategy::Binned, boxes);
        Probe { tree, facets, body: part.body.triangles().len(), mouths: Mouths::of(part) }
    }

    /// The first facet met from `from` straight up (`up` = 1) or down (−1) within `reach` mm.
    pub(super) fn vertical(&self, from: Point, up: f64, reach: f64) -> Option<Hit> {
        let (low, high) =
            if up > 0.0 { (from.z, from.z + reach) } else { (from.z - reach, from.z) };
        let meets = |n: &BvhNode| {
            let (a, b) = (n.mins(), n.maxs());
            a.x <= from.x
                && from.x <= b.x
                && a.y <= from.y
                && from.y <= b.y
                && a.z <= high
                && low <= b.z
        };
        let mut best: Option<(f64, u32)> = None;
        for i in self.tree.leaves(meets) {
            let Some(z) = height(&self.facets[i as usize], from.x, from.y) else { continue };
            let t = (z - from.z) * up;
            // Equal heights: the lower number, so that the tree's order does not matter.
            if (0.0..=reach).contains(&t) && best.is_none_or(|b| (t, i) < b) {
                best = Some((t, i));
            }
        }
        best.and_then(|(t, i)| self.hit(from + Vector::z() * (t * up), i))
    }

    /// The first facet met from `from` along a unit direction within `reach` mm.
    pub(super) fn ray(&self, from: Point, way: &Vector, reach: f64) -> Option<Hit> {
        let ray = Ray::new(parry(&from), ParryVector::new(way.x, way.y, way.z));
        let meets = |n: &BvhNode| n.cast_ray(&ray, reach) < Real::MAX;
        let mut best: Option<(f64, u32)> = None;
        for i in self.tree.leaves(meets) {
            let t = self.facets[i as usize].cast_local_ray(&ray, reach, false);
            if let Some(t) = t.filter(|&t| best.is_none_or(|b| (t, i) < b)) {
                best = Some((t, i));
            }
        }
        best.and_then(|(t, i)| self.hit(from + way * t, i))
    }

    fn hit(&self, place: Point, facet: u32) -> Option<Hit> {
        let f = &self.facets[facet as usize];
        let n = (f.b - f.a).cross(f.c - f.a);
        let normal = Vector::new(n.x, n.y, n.z).try_normalize(1e-12)?;
        Some(Hit { place, normal, facet: ((facet as usize) < self.body).then_some(facet) })
    }

    /// Whether a facet of the body that `which` picks comes nearer than `radius` to a point.
    pub(super) fn touches(&self, p: &Point, radius: f64, which: impl Fn(usize) -> bool) -> bool {
        let near = |n: &BvhNode| {
            let (lo, hi) = (n.mins(), n.maxs());
            let out = |p: f64, lo: f64, hi: f64| p < lo - radius || p > hi + radius;
            !(out(p.x, lo.x, hi.x) || out(p.y, lo.y, hi.y) || out(p.z, lo.z, hi.z))
        };
        let q = parry(p);
        self.tree.leaves(near).any(|i| {
            (i as usize) < self.body
                && which(i as usize)
                && self.facets[i as usize].distance_to_local_point(q, true) < radius
        })
    }

    /// Whether no facet comes nearer than `radius` to the segment, and no mouth of a vent is crossed.
    pub(super) fn clear(&self, a: &Point, b: &Point, radius: f64) -> bool {
        if self.mouths.crossed(a, b) {
            return false;
        }
        let segment = Segment::new(parry(a), parry(b));
        let dir = b - a;
        // The box grown by the radius against the segment, by slabs.
        let near = |n: &BvhNode| {
            let (lo, hi) = (n.mins(), n.maxs());
            let (mut t0, mut t1) = (0.0_f64, 1.0_f64);
            for (p, d, lo, hi) in
                [(a.x, dir.x, lo.x, hi.x), (a.y, dir.y, lo.y, hi.y), (a.z, dir.z, lo.z, hi.z)]
            {
                let (lo, hi) = (lo - radius, hi + radius);
                if d == 0.0 {
                    if p < lo || p > hi {
                        return false;
                    }
                    continue;
                }
                let (u, v) = ((lo - p) / d, (hi - p) / d);
                t0 = t0.max(u.min(v));
                t1 = t1.min(u.max(v));
            }
            t0 <= t1
        };
        let here = ParryPose::IDENTITY;
        !self.tree.leaves(near).any(|i| {
            // A pair that cannot be judged counts as touching.
            distance(&here, &segment, &here, &self.facets[i as usize])
                .map_or(true, |d| d.distance < radius)
        })
    }
}

pub(super) fn parry(p: &Point) -> ParryVector {
    ParryVector::new(p.x, p.y, p.z)
}

/// Height of a facet over (x, y), if it is there and not vertical.
fn height(f: &Triangle, x: f64, y: f64) -> Option<f64> {
    let side = |p: ParryVector, q: ParryVector| (q.x - p.x) * (y - p.y) - (q.y - p.y) * (x - p.x);
    let (u, v, w) = (side(f.b, f.c), side(f.c, f.a), side(f.a, f.b));
    let sum = u + v + w;
    // Borders count as inside of both neighbours: a line along an edge must not slip through.
    let slack = 1e-9 * sum.abs();
    let inside =
        (u >= -slack && v >= -slack && w >= -slack) || (u <= slack && v <= slack && w <= slack);
    (inside && sum != 0.0).then(|| (u * f.a.z + v * f.b.z + w * f.c.z) / sum)
}
