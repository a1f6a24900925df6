//! Volume, area, centroid and inertia of triangle meshes, exact for the polyhedron
//! (Mirtich 1996, J. Graph. Tools 1(2):31).

use super::Mesh;

/// Signed volume enclosed by the triangles, mm³ (divergence theorem). Overlaps of shells count
/// twice.
pub fn volume_mm3(mesh: &Mesh) -> f64 {
    let o = if mesh.vertices().is_empty() { return 0.0 } else { mesh.vertices()[0] };
    (0..mesh.triangles().len())
        .map(|i| {
            let [a, b, c] = mesh.corners(i).map(|p| p - o);
            a.dot(&b.cross(&c)) / 6.0
        })
        .sum()
}
