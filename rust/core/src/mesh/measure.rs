//! Volume, area, centroid and inertia of triangle meshes, exact for the polyhedron.
//!
//! The integrals over the polyhedron (Mirtich 1996, J. Graph. Tools 1(2):31) are summed over
//! signed tetrahedra, one a facet (Zhang & Chen 2001), from the centre of the box, so that
//! distance from the origin costs no digits. Sums go by short blocks, the blocks' totals are
//! added with their rounding errors carried along (Neumaier 1974, ZAMM 54:39): the same order,
//! hence the same bits, on any machine.

use super::edges::Edges;
use super::shells::Shells;
use super::{Bounds, Mesh, Point, Vector};
use nalgebra::Matrix3;
use serde::{Deserialize, Serialize};

/// What a surface encloses. Volume, centroid and inertia mean something for closed surfaces
/// only; overlaps of shells count twice, cavities count negative.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Measures {
    /// Enclosed volume, mm³; negative for a surface that faces inward.
    pub volume_mm3: f64,
    /// Area, mm².
    pub area_mm2: f64,
    /// Centre of the volume, mm; the centre of the box where there is no volume.
    pub centroid: Point,
    /// Inertia tensor about the centroid at unit density, mm⁵.
    pub inertia_mm5: Matrix3<f64>,
    /// Box around the vertices.
    pub bounds: Bounds,
}

/// Measures the whole mesh.
pub fn measure(mesh: &Mesh) -> Measures {
    let facets = 0..mesh.triangles().len();
    FacetWeights::for_vertices_of(mesh).measure(mesh.bounds(), facets, 0..mesh.vertices().len())
}

/// Measures every shell: facets that hang together by edges, in the order of their first facet.
pub fn measure_shells(mesh: &Mesh) -> Vec<Measures> {
    let edges = Edges::of(mesh.vertices().len(), mesh.triangles());
    let shells = Shells::of(mesh.triangles(), &edges);
    let mut weights = FacetWeights::for_vertices_of(mesh);
    (0..shells.count()).map(|s| weights.measure_shell(shells.facets(s))).collect()
}

/// Signed volume enclosed by the triangles, mm³. Overlaps of shells count twice.
///
/// ```
/// use vatwright::mesh::{measure::volume_mm3, shapes::cuboid};
/// let block = cuboid(2.0, 3.0, 4.0)?;
/// assert!((volume_mm3(&block) - 24.0).abs() < 1e-12);
/// # Ok::<(), vatwright::Error>(())
/// ```
pub fn volume_mm3(mesh: &Mesh) -> f64 {
    measure(mesh).volume_mm3
}

/// Terms summed plainly before the rounding error is looked after.
const BLOCK: usize = 256;

/// Six times the volume, twice the area, and with the sixfold volume as weight: sums of corners,
/// and of products xx yy zz xy yz zx of corners and their sum.
type Integrals = [f64; 11];

/// The second moment of a tetrahedron with a corner in the origin is a sum over its other three
/// corners and over their sum. What all facets around a vertex weigh is gathered first, so that
/// the vertex's own products are formed once and not by each of its six or so facets.
pub(super) struct FacetWeights<'a> {
    mesh: &'a Mesh,
    /// One a vertex; all are zero between two measurements.
    of_vertex: Vec<f64>,
}

impl<'a> FacetWeights<'a> {
    pub(super) fn for_vertices_of(mesh: &'a Mesh) -> FacetWeights<'a> {
        FacetWeights { mesh, of_vertex: vec![0.0; mesh.vertices().len()] }
    }

    pub(super) fn measure_shell(&mut self, facets: &[u32]) -> Measures {
        let mesh = self.mesh;
        let facets = facets.iter().map(|&f| f as usize);
        let bounds =
            facets.clone().fold(Bounds::EMPTY, |b, f| b.union(&Bounds::of(&mesh.corners(f))));
        let corners = facets.clone().flat_map(|f| mesh.triangles()[f]).map(|v| v as usize);
        self.measure(bounds, facets, corners)
    }

    /// Measures facets; `corners` names each of their vertices at least once.
    fn measure(
        &mut self,
        bounds: Bounds,
        facets: impl Iterator<Item = usize>,
        corners: impl Iterator<Item = usize>,
    ) -> Measures {
        let origin = if bounds.is_empty() { Point::origin() } else { bounds.center() };
        let mut total = Carried::default();
        total.sum(facets, |sums, f| {
            let triangle = self.mesh.triangles()[f];
            let [a, b, c] = triangle.map(|v| self.mesh.vertices()[v as usize] - origin);
            let normal = (b - a).cross(&(c - a));
            let weight = a.dot(&normal);
            sums[0] += weight;
            sums[1] += normal.norm();
            add_weighted(sums, a + b + c, weight);
            for v in triangle {
                self.of_vertex[v as usize] += weight;
            }
        });
        total.sum(corners, |sums, v| {
            let weight = std::mem::take(&mut self.of_vertex[v]);
            add_weighted(sums, self.mesh.vertices()[v] - origin, weight);
        });
        let [six_v, two_a, x, y, z, xx, yy, zz, xy, yz, zx] = total.value();
        let volume = six_v / 6.0;
        // Every corner has come twice: in its facet's sum and at its vertex.
        let shift =
            if six_v == 0.0 { Vector::zeros() } else { Vector::new(x, y, z) / (8.0 * six_v) };
        let second = Matrix3::new(xx, xy, zx, xy, yy, yz, zx, yz, zz) / 120.0
            - shift * shift.transpose() * volume;
        Measures {
            volume_mm3: volume,
            area_mm2: two_a / 2.0,
            centroid: origin + shift,
            inertia_mm5: Matrix3::identity() * second.trace() - second,
            bounds,
        }
    }
}

fn add_weighted(sums: &mut Integrals, p: Vector, weight: f64) {
    let w = p * weight;
    let terms = [w.x, w.y, w.z, w.x * p.x, w.y * p.y, w.z * p.z, w.x * p.y, w.y * p.z, w.z * p.x];
    for (sum, term) in sums[2..].iter_mut().zip(terms) {
        *sum += term;
    }
}

/// Sums with the rounding errors they have gathered.
#[derive(Default)]
struct Carried {
    sums: Integrals,
    lost: Integrals,
}

impl Carried {
    /// Adds what `term` puts down for every item.
    fn sum<T>(&mut self, items: impl Iterator<Item = T>, mut term: impl FnMut(&mut Integrals, T)) {
        let mut block: Integrals = [0.0; 11];
        let mut in_block = 0;
        for item in items {
            term(&mut block, item);
            in_block += 1;
            if in_block == BLOCK {
                self.add(&block);
                (block, in_block) = ([0.0; 11], 0);
            }
        }
        self.add(&block);
    }

    fn add(&mut self, terms: &Integrals) {
        for ((sum, lost), term) in self.sums.iter_mut().zip(&mut self.lost).zip(terms) {
            let next = *sum + term;
            *lost +=
                if sum.abs() >= term.abs() { (*sum - next) + term } else { (term - next) + *sum };
            *sum = next;
        }
    }

    fn value(&self) -> Integrals {
        std::array::from_fn(|i| self.sums[i] + self.lost[i])
    }
}
