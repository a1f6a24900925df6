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
    measure_facets(mesh, mesh.bounds(), 0..mesh.triangles().len())
}

/// Measures every shell: facets that hang together by edges, in the order of their first facet.
pub fn measure_shells(mesh: &Mesh) -> Vec<Measures> {
    let edges = Edges::of(mesh.vertices().len(), mesh.triangles());
    let shells = Shells::of(mesh.triangles(), &edges);
    (0..shells.count()).map(|s| measure_shell(mesh, shells.facets(s))).collect()
}

pub(super) fn measure_shell(mesh: &Mesh, facets: &[u32]) -> Measures {
    let facets = facets.iter().map(|&f| f as usize);
    let bounds = facets.clone().fold(Bounds::EMPTY, |b, f| b.union(&Bounds::of(&mesh.corners(f))));
    measure_facets(mesh, bounds, facets)
}

/// Signed volume enclosed by the triangles, mm³. Overlaps of shells count twice.
pub fn volume_mm3(mesh: &Mesh) -> f64 {
    measure(mesh).volume_mm3
}

/// Facets summed plainly before the rounding error is looked after.
const BLOCK: u32 = 64;

/// Six times the volume, twice the area, and with the sixfold volume as weight: sums of corners,
/// and of products xx yy zz xy yz zx of corners and their sum.
type Sums = [f64; 11];

fn measure_facets(mesh: &Mesh, bounds: Bounds, facets: impl Iterator<Item = usize>) -> Measures {
    let origin = if bounds.is_empty() { Point::origin() } else { bounds.center() };
    let mut total = Carried::default();
    let mut block: Sums = [0.0; 11];
    let mut in_block = 0;
    for f in facets {
        add_facet(&mut block, mesh.corners(f).map(|p| p - origin));
        in_block += 1;
        if in_block == BLOCK {
            total.add(&block);
            (block, in_block) = ([0.0; 11], 0);
        }
    }
    total.add(&block);
    let [six_v, two_a, x, y, z, xx, yy, zz, xy, yz, zx] = total.value();
    let volume = six_v / 6.0;
    let shift = if six_v == 0.0 { Vector::zeros() } else { Vector::new(x, y, z) / (4.0 * six_v) };
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

fn add_facet(sums: &mut Sums, [a, b, c]: [Vector; 3]) {
    let normal = (b - a).cross(&(c - a));
    let weight = a.dot(&normal);
    let s = a + b + c;
    let product = |i: usize, j: usize| a[i] * a[j] + b[i] * b[j] + c[i] * c[j] + s[i] * s[j];
    let terms = [
        1.0,
        0.0,
        s.x,
        s.y,
        s.z,
        product(0, 0),
        product(1, 1),
        product(2, 2),
        product(0, 1),
        product(1, 2),
        product(2, 0),
    ];
    for (sum, term) in sums.iter_mut().zip(terms) {
        *sum += weight * term;
    }
    sums[1] += normal.norm();
}

/// Sums with the rounding errors they have gathered.
#[derive(Default)]
struct Carried {
    sums: Sums,
    lost: Sums,
}

impl Carried {
    fn add(&mut self, terms: &Sums) {
        for ((sum, lost), term) in self.sums.iter_mut().zip(&mut self.lost).zip(terms) {
            let next = *sum + term;
            *lost +=
                if sum.abs() >= term.abs() { (*sum - next) + term } else { (term - next) + *sum };
            *sum = next;
        }
    }

    fn value(&self) -> Sums {
        std::array::from_fn(|i| self.sums[i] + self.lost[i])
    }
}
