//! One beam of a frame: its 12 × 12 stiffness matrix in space.

use super::Beam;
use crate::mesh::{Point, Vector};
use nalgebra::{Matrix3, Matrix6, SMatrix};

/// Stiffness, or a turn, of both ends: x, y, z and turns about them at a, then at b.
pub(super) type Matrix12 = SMatrix<f64, 12, 12>;

/// Stiffness of a beam in its own axes, without shear deformation: the ends' forces from the
/// flexibility of the beam built in at `a` (unit-load method, any book on structures), which is
/// exact for a taper and gives the matrix of Przemieniecki 1968 (from memory) for an even beam.
pub(super) fn stiffness(beam: &Beam, length: f64) -> Matrix12 {
    let mut k = Matrix12::zeros();
    let mut put = |i: usize, j: usize, v: f64| {
        k[(i, j)] = v;
        k[(j, i)] = v;
    };
    let f = flexibility(beam, length);
    for (dof, v) in [(0, 1.0 / f.axial), (3, 1.0 / f.torsion)] {
        put(dof, dof, v);
        put(dof + 6, dof + 6, v);
        put(dof, dof + 6, -v);
    }
    // Deflection along y turns about z, deflection along z about y with the other sign.
    for (w, turn, [ff, fm, mm], sign) in [(1, 5, f.about_z, 1.0), (2, 4, f.about_y, -1.0)] {
        let det = ff * mm - fm * fm;
        // Force and moment at b for a unit of either motion there; those at a balance them.
        let (kff, kfm, kmm) = (mm / det, -fm / det, ff / det);
        let (aff, afm) = (-kff, -kfm); // force at a
        let (amf, amm) = (-kfm - kff * length, -kmm - kfm * length); // moment at a
        put(w + 6, w + 6, kff);
        put(w + 6, turn + 6, sign * kfm);
        put(turn + 6, turn + 6, kmm);
        put(w, w + 6, aff);
        put(w, turn + 6, sign * afm);
        put(turn, w + 6, sign * amf);
        put(turn, turn + 6, amm);
        put(w, w, kff);
        put(w, turn, sign * (kfm + kff * length));
        put(turn, turn, -amm - amf * length);
    }
    k
}

/// How far the end of a beam built in at `a` gives way.
struct Flexibility {
    axial: f64,
    torsion: f64,
    /// Deflection for a force, deflection for a moment (and turn for a force), turn for a moment.
    about_z: [f64; 3],
    about_y: [f64; 3],
}

fn flexibility(beam: &Beam, length: f64) -> Flexibility {
    let (e, g) = (beam.modulus_mpa, beam.shear_mpa);
    let bend = |i: f64| [length.powi(3) / 3.0, length.powi(2) / 2.0, length].map(|v| v / (e * i));
    if beam.end == beam.profile {
        let p = beam.profile;
        return Flexibility {
            axial: length / (e * p.area_mm2),
            torsion: length / (g * p.torsion_mm4),
            about_z: bend(p.iz_mm4),
            about_y: bend(p.iy_mm4),
        };
    }
    let mut f = Flexibility { axial: 0.0, torsion: 0.0, about_z: [0.0; 3], about_y: [0.0; 3] };
    for panel in 0..PANELS {
        for (x, w) in GAUSS {
            let t = (f64::from(panel) + 0.5 + 0.5 * x) / f64::from(PANELS);
            let (w, arm) = (0.5 * w * length / f64::from(PANELS), length * (1.0 - t));
            let p = beam.profile.towards(&beam.end, t);
            f.axial += w / (e * p.area_mm2);
            f.torsion += w / (g * p.torsion_mm4);
            for (sum, i) in [(&mut f.about_z, p.iz_mm4), (&mut f.about_y, p.iy_mm4)] {
                for (s, lever) in sum.iter_mut().zip([arm * arm, arm, 1.0]) {
                    *s += w * lever / (e * i);
                }
            }
        }
    }
    f
}

/// Panels of the integral over a taper: within 1e-6 for one end six times as wide as the other.
const PANELS: u32 = 8;
/// Gauss–Legendre, three points: place in −1…1 and weight.
const GAUSS: [(f64, f64); 3] =
    [(-0.774_596_669_241_483_4, 5.0 / 9.0), (0.0, 8.0 / 9.0), (0.774_596_669_241_483_4, 5.0 / 9.0)];

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
