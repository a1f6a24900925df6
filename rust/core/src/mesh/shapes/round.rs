//! Round shapes: the geodesic sphere, and what the lathe makes.

use super::{MOST_TRIANGLES, Ring, arc, lathe, length, length_below, solid};
use crate::error::{Result, check_range};
use crate::mesh::{Mesh, Point, Solid, Vector};
use std::collections::HashMap;
use std::f64::consts::{FRAC_PI_2, PI};

/// A sphere about the origin: an icosahedron whose faces are split into f² each, with the
/// largest f for which 20·f² ≤ `triangles`.
///
/// # Errors
/// [`Error::Value`](crate::Error::Value) when the radius is not a sensible length or fewer than
/// 20 triangles are asked.
pub fn sphere(radius_mm: f64, triangles: usize) -> Result<Solid> {
    length("sphere", "radius_mm", radius_mm)?;
    check_range("sphere.triangles", triangles as f64, 20.0, MOST_TRIANGLES, "")?;
    let (directions, faces) = geodesic(((triangles as f64 / 20.0).sqrt() + 1e-9) as u32);
    let vertices = directions.iter().map(|d| Point::from(d * radius_mm)).collect();
    solid("sphere", vertices, faces)
}

/// An ellipsoid about the origin: a stretched [`sphere`] of that many triangles.
///
/// # Errors
/// As for [`sphere`].
pub fn ellipsoid(semi_axes_mm: [f64; 3], triangles: usize) -> Result<Solid> {
    for (what, a) in ["x_mm", "y_mm", "z_mm"].iter().zip(semi_axes_mm) {
        length("ellipsoid", what, a)?;
    }
    let (_, unit, faces) = Mesh::from(sphere(1.0, triangles)?).into_parts();
    let axes = Vector::from(semi_axes_mm);
    let vertices = unit.iter().map(|p| Point::from(p.coords.component_mul(&axes))).collect();
    solid("ellipsoid", vertices, faces)
}

/// Unit directions and faces of the icosahedron split `f` times along each edge.
fn geodesic(f: u32) -> (Vec<Vector>, Vec<[u32; 3]>) {
    let g = (1.0 + 5.0_f64.sqrt()) / 2.0;
    let corners: Vec<Vector> = [
        [-1.0, g, 0.0],
        [1.0, g, 0.0],
        [-1.0, -g, 0.0],
        [1.0, -g, 0.0],
        [0.0, -1.0, g],
        [0.0, 1.0, g],
        [0.0, -1.0, -g],
        [0.0, 1.0, -g],
        [g, 0.0, -1.0],
        [g, 0.0, 1.0],
        [-g, 0.0, -1.0],
        [-g, 0.0, 1.0],
    ]
    .map(Vector::from)
    .to_vec();
    #[rustfmt::skip]
    let faces: [[u32; 3]; 20] = [
        [0, 11, 5], [0, 5, 1], [0, 1, 7], [0, 7, 10], [0, 10, 11],
        [1, 5, 9], [5, 11, 4], [11, 10, 2], [10, 7, 6], [7, 1, 8],
        [3, 9, 4], [3, 4, 2], [3, 2, 6], [3, 6, 8], [3, 8, 9],
        [4, 9, 5], [2, 4, 11], [6, 2, 10], [8, 6, 7], [9, 8, 1],
    ];
    let mut directions: Vec<Vector> = Vec::new();
    let mut out = Vec::with_capacity(20 * (f * f) as usize);
    // A grid point is known by its weights on the corners, the same from every face.
    let mut known: HashMap<[(u32, u32); 3], u32> = HashMap::new();
    for face in faces {
        let mut at = |i: u32, j: u32| {
            let mut key = [(face[0], f - i - j), (face[1], i), (face[2], j)];
            key.iter_mut().filter(|k| k.1 == 0).for_each(|k| *k = (u32::MAX, 0));
            key.sort_unstable();
            *known.entry(key).or_insert_with(|| {
                let sum: Vector = key
                    .iter()
                    .filter(|k| k.1 > 0)
                    .map(|k| corners[k.0 as usize] * f64::from(k.1))
                    .sum();
                directions.push(sum.normalize());
                directions.len() as u32 - 1
            })
        };
        for i in 0..f {
            for j in 0..f - i {
                out.push([at(i, j), at(i + 1, j), at(i, j + 1)]);
                if i + j + 1 < f {
                    out.push([at(i + 1, j), at(i + 1, j + 1), at(i, j + 1)]);
                }
            }
        }
    }
    (directions, out)
}

/// A cylinder standing on z = 0 about the z axis.
///
/// # Errors
/// [`Error::Value`](crate::Error::Value) when a number is not sensible.
pub fn cylinder(radius_mm: f64, height_mm: f64, segments: usize) -> Result<Solid> {
    length("cylinder", "radius_mm", radius_mm)?;
    length("cylinder", "height_mm", height_mm)?;
    turned("cylinder", &[[radius_mm, 0.0], [radius_mm, height_mm]], segments)
}

/// A frustum of a cone standing on z = 0, with its radii at the bottom and at the top.
///
/// # Errors
/// [`Error::Value`](crate::Error::Value) when a number is not sensible.
pub fn frustum(bottom_mm: f64, top_mm: f64, height_mm: f64, segments: usize) -> Result<Solid> {
    length("frustum", "bottom_mm", bottom_mm)?;
    length("frustum", "top_mm", top_mm)?;
    length("frustum", "height_mm", height_mm)?;
    turned("frustum", &[[bottom_mm, 0.0], [top_mm, height_mm]], segments)
}

/// A cone standing on z = 0, apex up.
///
/// # Errors
/// [`Error::Value`](crate::Error::Value) when a number is not sensible.
pub fn cone(radius_mm: f64, height_mm: f64, segments: usize) -> Result<Solid> {
    length("cone", "radius_mm", radius_mm)?;
    length("cone", "height_mm", height_mm)?;
    turned("cone", &[[radius_mm, 0.0], [0.0, height_mm]], segments)
}

/// A torus about the z axis: `ring_mm` from the axis to the tube's centre, `tube_mm` the
/// tube's radius; the tube's circle has a third of the segments.
///
/// # Errors
/// [`Error::Value`](crate::Error::Value) when a number is not sensible or the tube reaches the
/// axis.
pub fn torus(ring_mm: f64, tube_mm: f64, segments: usize) -> Result<Solid> {
    length("torus", "ring_mm", ring_mm)?;
    length_below("torus", "tube_mm", tube_mm, ring_mm)?;
    let mut circle = arc([ring_mm, 0.0], tube_mm, 0.0, 2.0 * PI, (segments / 3).max(3));
    circle.pop();
    lathe("torus", &[circle], segments)
}

/// A capsule along z about the origin: a cylinder of `length_mm` between the centres of its two
/// hemispherical ends.
///
/// # Errors
/// [`Error::Value`](crate::Error::Value) when a number is not sensible.
pub fn capsule(radius_mm: f64, length_mm: f64, segments: usize) -> Result<Solid> {
    length("capsule", "radius_mm", radius_mm)?;
    length("capsule", "length_mm", length_mm)?;
    let quarter = (segments / 4).max(1);
    let mut profile = arc([0.0, -length_mm / 2.0], radius_mm, -FRAC_PI_2, 0.0, quarter);
    profile.extend(arc([0.0, length_mm / 2.0], radius_mm, 0.0, FRAC_PI_2, quarter));
    on_axis(&mut profile);
    lathe("capsule", &[profile], segments)
}

/// A spherical cap of a sphere of `radius_mm` about the origin, `height_mm` high, dome up.
///
/// # Errors
/// [`Error::Value`](crate::Error::Value) when a number is not sensible or the cap is higher than
/// the sphere.
pub fn spherical_cap(radius_mm: f64, height_mm: f64, segments: usize) -> Result<Solid> {
    length("spherical_cap", "radius_mm", radius_mm)?;
    length_below("spherical_cap", "height_mm", height_mm, 2.0 * radius_mm)?;
    let rim = (1.0 - height_mm / radius_mm).asin();
    let mut profile = arc([0.0, 0.0], radius_mm, rim, FRAC_PI_2, (segments / 4).max(1));
    on_axis(&mut profile);
    profile.push([0.0, radius_mm - height_mm]);
    lathe("spherical_cap", &[profile], segments)
}

/// A tube standing on z = 0, open at both ends.
///
/// # Errors
/// [`Error::Value`](crate::Error::Value) when a number is not sensible or the bore is not
/// smaller than the tube.
pub fn tube(outer_mm: f64, inner_mm: f64, height_mm: f64, segments: usize) -> Result<Solid> {
    length("tube", "outer_mm", outer_mm)?;
    length_below("tube", "inner_mm", inner_mm, outer_mm)?;
    length("tube", "height_mm", height_mm)?;
    let profile =
        vec![[inner_mm, 0.0], [outer_mm, 0.0], [outer_mm, height_mm], [inner_mm, height_mm]];
    lathe("tube", &[profile], segments)
}

/// A hemispherical bowl about the origin, standing on its bottom at z = −`outer_mm` with its rim
/// at z = 0 and its mouth up. A `hole_mm` above 0 is the diameter of a round, axis-parallel
/// hole through the bottom.
///
/// # Errors
/// [`Error::Value`](crate::Error::Value) when a number is not sensible, the wall leaves no
/// hollow or the hole is wider than it.
pub fn bowl(outer_mm: f64, wall_mm: f64, hole_mm: f64, segments: usize) -> Result<Solid> {
    length("bowl", "outer_mm", outer_mm)?;
    length_below("bowl", "wall_mm", wall_mm, outer_mm)?;
    let inner = outer_mm - wall_mm;
    check_range("bowl.hole_mm", hole_mm, 0.0, 1.98 * inner, "mm")?;
    let steps = (segments / 4).max(1);
    let start = |radius: f64| -((hole_mm / 2.0 / radius).acos());
    let mut profile = arc([0.0, 0.0], outer_mm, start(outer_mm), 0.0, steps);
    profile.extend(arc([0.0, 0.0], inner, 0.0, start(inner), steps));
    if hole_mm == 0.0 {
        on_axis(&mut profile);
    }
    lathe("bowl", &[profile], segments)
}

/// A sphere of `outer_mm` with a sealed spherical void of `inner_mm`, both about the origin and
/// of that many triangles.
///
/// # Errors
/// As for [`sphere`], and when the void is not smaller than the sphere.
pub fn hollow_sphere(outer_mm: f64, inner_mm: f64, triangles: usize) -> Result<Solid> {
    length_below("hollow_sphere", "inner_mm", inner_mm, outer_mm)?;
    let void = sphere(inner_mm, triangles)?.flipped();
    let both = Mesh::concat("hollow_sphere", [sphere(outer_mm, triangles)?.mesh(), &void]);
    Solid::try_from(both)
}

/// A sphere about the origin, bored through along z so that a ring `height_mm` high remains: its
/// volume is π·height³/6 whatever the radius.
///
/// # Errors
/// [`Error::Value`](crate::Error::Value) when a number is not sensible or the ring is higher
/// than the sphere.
pub fn napkin_ring(radius_mm: f64, height_mm: f64, segments: usize) -> Result<Solid> {
    length("napkin_ring", "radius_mm", radius_mm)?;
    length_below("napkin_ring", "height_mm", height_mm, 2.0 * radius_mm)?;
    let rim = (height_mm / 2.0 / radius_mm).asin();
    let profile = arc([0.0, 0.0], radius_mm, -rim, rim, (segments / 2).max(2));
    lathe("napkin_ring", &[profile], segments)
}

/// A body whose side runs through the points, closed by flat ends on the axis.
fn turned(name: &str, side: &[[f64; 2]], segments: usize) -> Result<Solid> {
    let mut profile = vec![[0.0, side[0][1]]];
    profile.extend_from_slice(side);
    let last = side[side.len() - 1];
    if last[0] > 0.0 {
        profile.push([0.0, last[1]]);
    }
    lathe(name, &[profile], segments)
}

/// Puts points that rounding left beside the axis onto it.
fn on_axis(profile: &mut Ring) {
    profile.iter_mut().filter(|p| p[0] < 1e-9).for_each(|p| p[0] = 0.0);
}
