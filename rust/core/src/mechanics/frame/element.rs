//! One beam of a frame: its 12 × 12 stiffness matrix in space.

use super::Beam;
use crate::mesh::{Point, Vector};
use nalgebra::{Matrix3, Matrix6, SMatrix};

/// Stiffness, or a turn, of both ends: x, y, z and turns about them at a, then at b.
pub(super) type Matrix12 = SMatrix<f64, 12, 12>;

/// Stiffness of a beam in its own axes. Przemieniecki 1968, Theory of Matrix Structural Analysis
/// (from memory), without shear deformation.
pub(super) fn stiffness(beam: &Beam, length: f64) -> Matrix12 {
    let (l, e, p) = (length, beam.modulus_mpa, beam.profile);
    let mut k = Matrix12::zeros();
    let mut put = |i: usize, j: usize, v: f64| {
        k[(i, j)] = v;
        k[(j, i)] = v;
    };
    for (dof, v) in [(0, e * p.area_mm2 / l), (3, beam.shear_mpa * p.torsion_mm4 / l)] {
        put(dof, dof, v);
        put(dof + 6, dof + 6, v);
        put(dof, dof + 6, -v);
    }
    // Deflection along y turns about z, deflection along z about y with the other sign.
    for (w, turn, i, sign) in [(1, 5, p.iz_mm4, 1.0), (2, 4, p.iy_mm4, -1.0)] {
        let ei = e * i;
        let (k12, k6) = (12.0 * ei / l.powi(3), sign * 6.0 * ei / l.powi(2));
        put(w, w, k12);
        put(w + 6, w + 6, k12);
        put(w, w + 6, -k12);
        put(w, turn, k6);
        put(w, turn + 6, k6);
        put(w + 6, turn, -k6);
        put(w + 6, turn + 6, -k6);
        put(turn, turn, 4.0 * ei / l);
        put(turn + 6, turn + 6, 4.0 * ei / l);
        put(turn, turn + 6, 2.0 * ei / l);
    }
    k
}

/// Rows are the beam's local x, y, z in global directions, as [`Beam`] defines them.
pub(super) fn axes(a: Point, b: Point, roll_deg: f64) -> Matrix3<f64> {
    let x = (b - a).normalize();
    let side = Vector::z().cross(&x);
    // Nearly upright beams take global y: a horizontal axis from a vanishing product is noise.
    let y = if side.norm() > 1e-6 { side.normalize() } else { Vector::y() };
    let z = x.cross(&y).normalize();
    let y = z.cross(&x);
    let (s, c) = roll_deg.to_radians().sin_cos();
    Matrix3::from_rows(&[x.transpose(), (y * c + z * s).transpose(), (z * c - y * s).transpose()])
}

/// Takes global motions of both ends to local ones.
pub(super) fn turn(axes: &Matrix3<f64>) -> Matrix12 {
    let mut t = Matrix12::zeros();
    for block in 0..4 {
        t.fixed_view_mut::<3, 3>(3 * block, 3 * block).copy_from(axes);
    }
    t
}

/// Takes the motion of a rigid body's node to that of a point at `arm` from it: u + θ × arm.
pub(super) fn lever(arm: Vector) -> Matrix6<f64> {
    let mut t = Matrix6::identity();
    t.fixed_view_mut::<3, 3>(0, 3).copy_from(&-arm.cross_matrix());
    t
}
