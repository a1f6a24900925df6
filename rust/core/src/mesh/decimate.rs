//! Fewer triangles within a stated tolerance, for surfaces that an algorithm made finer than
//! they need to be. Never applied to the user's own model.

use super::{Mesh, Point, Vector};
use crate::error::Result;
use crate::job::Job;
use nalgebra::Matrix3;
use std::cmp::Ordering;
use std::collections::BinaryHeap;

/// Least cosine (60°) between a facet's normal before and after a collapse.
const LEAST_TURN: f64 = 0.5;
/// A facet thinner than this part of its longest edge is not made.
const LEAST_SHAPE: f64 = 1e-3;

/// Share of an edge's squared length in its rank: where collapses cost nothing, short edges go
/// first. Else the rim of one vertex would swallow a flat face, ever longer to walk around.
const SHORT_FIRST: f64 = 1e-9;

/// Collapses edges of a closed manifold as long as each new vertex keeps within `tolerance_mm`,
/// root mean square over area, of the planes of all facets it stands for (quadric error metric:
/// Garland & Heckbert 1997, from memory). The result is again a closed manifold.
///
/// # Errors
/// [`Error::Cancelled`](crate::Error::Cancelled).
///
/// ```
/// use vatwright::{Job, Mesh, mesh::{decimate, shapes}};
/// let fine: Mesh = shapes::cylinder(5.0, 4.0, 256)?.into();
/// let facets = fine.triangles().len();
/// let coarse = decimate::decimate(fine, 0.05, &Job::default())?;
/// assert!(coarse.triangles().len() < facets / 4);
/// # Ok::<(), vatwright::Error>(())
/// ```
pub fn decimate(mesh: Mesh, tolerance_mm: f64, job: &Job) -> Result<Mesh> {
    let mut work = Thinning::new(mesh);
    let limit = tolerance_mm * tolerance_mm;
    let mut heap = BinaryHeap::new();
    for f in 0..work.faces.len() {
        let t = work.faces[f];
        for (a, b) in [(t[0], t[1]), (t[1], t[2]), (t[2], t[0])] {
            if a < b {
                heap.extend(work.candidate(a, b, limit));
            }
        }
    }
    let mut steps = 0u32;
    while let Some(c) = heap.pop() {
        steps += 1;
        if steps.is_multiple_of(1 << 14) {
            job.checkpoint(0.5)?;
        }
        let [a, b] = c.ends;
        let current = [work.stamp[a as usize], work.stamp[b as usize]] == c.stamps;
        if !current || !work.collapse(a, b) {
            continue;
        }
        for n in work.ring(a) {
            heap.extend(work.candidate(a.min(n), a.max(n), limit));
        }
    }
    work.finish()
}

/// Weighted squared distances to planes, as a function of place: (xᵀAx + 2bᵀx + c) / weight.
#[derive(Clone, Copy, Default)]
struct Quadric {
    a: Matrix3<f64>,
    b: Vector,
    c: f64,
    weight: f64,
}

impl Quadric {
    fn plane(n: &Vector, at: &Vector, weight: f64) -> Quadric {
        let d = -n.dot(at);
        Quadric { a: n * n.transpose() * weight, b: n * (d * weight), c: d * d * weight, weight }
    }

    fn plus(&self, other: &Quadric) -> Quadric {
        Quadric {
            a: self.a + other.a,
            b: self.b + other.b,
            c: self.c + other.c,
            weight: self.weight + other.weight,
        }
    }

    fn mean(&self, p: &Vector) -> f64 {
        let sum = p.dot(&(self.a * p)) + 2.0 * self.b.dot(p) + self.c;
        sum.max(0.0) / self.weight.max(f64::MIN_POSITIVE)
    }

    /// The best place, held to `near` where the planes leave it open.
    fn best(&self, near: &Vector) -> Vector {
        let hold = 1e-4 * self.weight;
        let gradient = -(self.a * near + self.b);
        let matrix = self.a + Matrix3::identity() * hold;
        near + matrix.cholesky().map_or(Vector::zeros(), |c| c.solve(&gradient))
    }
}

/// An edge that may be collapsed: lowest rank first, then by its ends.
struct Collapse {
    rank: f64,
    ends: [u32; 2],
    stamps: [u32; 2],
}

impl PartialEq for Collapse {
    fn eq(&self, other: &Self) -> bool {
        self.cmp(other) == Ordering::Equal
    }
}

impl Eq for Collapse {}

impl PartialOrd for Collapse {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Collapse {
    fn cmp(&self, other: &Self) -> Ordering {
        other.rank.total_cmp(&self.rank).then(other.ends.cmp(&self.ends))
    }
}

struct Thinning {
    name: String,
    /// Relative to the first vertex, so that quadrics keep their digits.
    places: Vec<Vector>,
    origin: Point,
    faces: Vec<[u32; 3]>,
    alive: Vec<bool>,
    /// Facets around each vertex.
    around: Vec<Vec<u32>>,
    quadrics: Vec<Quadric>,
    /// Counts the changes of each vertex, so that older candidates are known.
    stamp: Vec<u32>,
}

impl Thinning {
    fn new(mesh: Mesh) -> Thinning {
        let (name, vertices, faces) = mesh.into_parts();
        let origin = vertices.first().copied().unwrap_or_else(Point::origin);
        let places: Vec<Vector> = vertices.iter().map(|v| v - origin).collect();
        let mut around = vec![Vec::new(); places.len()];
        let mut quadrics = vec![Quadric::default(); places.len()];
        for (i, t) in faces.iter().enumerate() {
            let [a, b, c] = t.map(|v| places[v as usize]);
            let n = (b - a).cross(&(c - a));
            let doubled_area = n.norm();
            let plane = if doubled_area > 0.0 {
                Quadric::plane(&(n / doubled_area), &a, doubled_area)
            } else {
                Quadric::default()
            };
            for &v in t {
                around[v as usize].push(i as u32);
                quadrics[v as usize] = quadrics[v as usize].plus(&plane);
            }
        }
        let (alive, stamp) = (vec![true; faces.len()], vec![0; places.len()]);
        Thinning { name, places, origin, faces, alive, around, quadrics, stamp }
    }

    fn candidate(&self, a: u32, b: u32, limit: f64) -> Option<Collapse> {
        let (quadric, place) = self.merged(a, b);
        let cost = quadric.mean(&place);
        let stamps = [self.stamp[a as usize], self.stamp[b as usize]];
        let length = (self.places[a as usize] - self.places[b as usize]).norm_squared();
        let rank = cost + SHORT_FIRST * length;
        (cost <= limit).then_some(Collapse { rank, ends: [a, b], stamps })
    }

    /// What two vertices stand for together, and the best place for one in their stead.
    fn merged(&self, a: u32, b: u32) -> (Quadric, Vector) {
        let (i, j) = (a as usize, b as usize);
        let quadric = self.quadrics[i].plus(&self.quadrics[j]);
        let place = quadric.best(&((self.places[i] + self.places[j]) / 2.0));
        (quadric, place)
    }

    /// Vertices joined to `v` by an edge, sorted.
    fn ring(&self, v: u32) -> Vec<u32> {
        let faces = self.around[v as usize].iter();
        let mut ring: Vec<u32> =
            faces.flat_map(|&f| self.faces[f as usize]).filter(|&n| n != v).collect();
        ring.sort_unstable();
        ring.dedup();
        ring
    }

    /// Merges `b` into `a` at the best place, if the surface stays a closed manifold and no facet
    /// turns over.
    fn collapse(&mut self, a: u32, b: u32) -> bool {
        let (quadric, place) = self.merged(a, b);
        let (ring_a, ring_b) = (self.ring(a), self.ring(b));
        // Link condition: the ends share exactly the two vertices opposite their edge.
        let shared = ring_a.iter().filter(|v| ring_b.binary_search(v).is_ok());
        if shared.count() != 2 || ring_a.len() + ring_b.len() < 8 {
            return false;
        }
        let has = |f: u32, v: u32| self.faces[f as usize].contains(&v);
        let fits = |v: u32, other: u32| {
            self.around[v as usize]
                .iter()
                .filter(|&&f| !has(f, other))
                .all(|&f| self.fits(f, v, &place))
        };
        if !fits(a, b) || !fits(b, a) {
            return false;
        }
        let from_b = std::mem::take(&mut self.around[b as usize]);
        for f in from_b {
            if self.faces[f as usize].contains(&a) {
                self.alive[f as usize] = false;
                for v in self.faces[f as usize] {
                    self.around[v as usize].retain(|&g| g != f);
                }
            } else {
                let corner = self.faces[f as usize].iter_mut().find(|v| **v == b);
                corner.into_iter().for_each(|v| *v = a);
                self.around[a as usize].push(f);
            }
        }
        self.places[a as usize] = place;
        self.quadrics[a as usize] = quadric;
        self.stamp[a as usize] += 1;
        self.stamp[b as usize] += 1;
        true
    }

    /// Whether facet `f` keeps its side and its shape when its corner `v` moves to `place`.
    fn fits(&self, f: u32, v: u32, place: &Vector) -> bool {
        let t = self.faces[f as usize];
        let old = t.map(|c| self.places[c as usize]);
        let new = t.map(|c| if c == v { *place } else { self.places[c as usize] });
        let normal = |p: &[Vector; 3]| (p[1] - p[0]).cross(&(p[2] - p[0]));
        let (n, m) = (normal(&old), normal(&new));
        let longest = (new[1] - new[0])
            .norm_squared()
            .max((new[2] - new[1]).norm_squared())
            .max((new[0] - new[2]).norm_squared());
        m.norm() > LEAST_SHAPE * longest && n.dot(&m) >= LEAST_TURN * n.norm() * m.norm()
    }

    fn finish(self) -> Result<Mesh> {
        let mut moved = vec![u32::MAX; self.places.len()];
        let mut vertices = Vec::new();
        let mut faces = Vec::new();
        for (t, _) in self.faces.iter().zip(&self.alive).filter(|f| *f.1) {
            faces.push(t.map(|v| {
                let at = &mut moved[v as usize];
                if *at == u32::MAX {
                    *at = vertices.len() as u32;
                    vertices.push(self.origin + self.places[v as usize]);
                }
                *at
            }));
        }
        Mesh::new(self.name, vertices, faces)
    }
}
