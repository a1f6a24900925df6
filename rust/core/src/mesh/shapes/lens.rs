//! Lenses from their optical data. A printed face needs a coat or a polish before it images:
//! layer steps are a hundred times a quarter wave.

use super::{
    LENGTH_MM, MOST_POINTS, Ring, arc, at_most, extrude, lathe, length, length_below, solid,
};
use crate::error::{Result, check_range};
use crate::mesh::{Mesh, Point, Solid};
use std::f64::consts::FRAC_PI_2;

/// Height of a spherical face of that radius over a rim of `half_width_mm`:
/// R − √(R² − r²), mm.
pub fn sag_mm(radius_mm: f64, half_width_mm: f64) -> f64 {
    radius_mm - (radius_mm * radius_mm - half_width_mm * half_width_mm).sqrt()
}

/// Focal length of a thick lens in air, mm (lensmaker's equation):
/// 1/f = (n−1)·[1/R1 − 1/R2 + (n−1)·d/(n·R1·R2)], light meeting R1 first and a radius positive
/// when its centre lies behind the face. Infinite radii are flat faces.
pub fn focal_length_mm(index: f64, r1_mm: f64, r2_mm: f64, center_mm: f64) -> f64 {
    let n = index;
    let both = (n - 1.0) * center_mm / (n * r1_mm * r2_mm);
    1.0 / ((n - 1.0) * (1.0 / r1_mm - 1.0 / r2_mm + both))
}

/// Slope of a Fresnel facet at `r_mm` from the axis, as a tangent: parallel light enters the flat
/// back and leaves the facet for the focus. tan α = r / (n·√(f² + r²) − f), from Snell's law.
pub fn fresnel_slope(focal_mm: f64, index: f64, r_mm: f64) -> f64 {
    r_mm / (index * focal_mm.hypot(r_mm) - focal_mm)
}

/// A plano-convex lens: flat face on z = 0, spherical face up, `center_mm` thick on the axis.
///
/// # Errors
/// [`Error::Value`](crate::Error::Value) when a number is not sensible, the face is more than a
/// hemisphere, or no edge would remain.
pub fn plano_convex(
    radius_mm: f64,
    diameter_mm: f64,
    center_mm: f64,
    segments: usize,
) -> Result<Solid> {
    let name = "plano_convex";
    let sag = face(name, "radius_mm", radius_mm, diameter_mm)?;
    check_range("plano_convex.center_mm", center_mm, sag + LENGTH_MM.0, LENGTH_MM.1, "mm")?;
    let mut profile = vec![[0.0, 0.0], [diameter_mm / 2.0, 0.0]];
    profile.extend(dome(radius_mm, diameter_mm, center_mm, segments));
    lathe(name, &[profile], segments)
}

/// A biconvex lens: its lower face, of `lower_mm` radius, has its vertex at the origin.
///
/// # Errors
/// As for [`plano_convex`].
pub fn biconvex(
    lower_mm: f64,
    upper_mm: f64,
    diameter_mm: f64,
    center_mm: f64,
    segments: usize,
) -> Result<Solid> {
    let name = "biconvex";
    let sags = face(name, "lower_mm", lower_mm, diameter_mm)?
        + face(name, "upper_mm", upper_mm, diameter_mm)?;
    check_range("biconvex.center_mm", center_mm, sags + LENGTH_MM.0, LENGTH_MM.1, "mm")?;
    let mut profile: Ring = dome(lower_mm, diameter_mm, 0.0, segments);
    profile.iter_mut().for_each(|p| p[1] = -p[1]);
    profile.reverse();
    profile.extend(dome(upper_mm, diameter_mm, center_mm, segments));
    lathe(name, &[profile], segments)
}

/// A Fresnel lens: flat back on z = 0, a base of `base_mm`, on it grooves `groove_mm` wide, each
/// with the slope that its middle radius needs, risers along the axis.
///
/// # Errors
/// [`Error::Value`](crate::Error::Value) when a number is not sensible.
pub fn fresnel(
    focal_mm: f64,
    index: f64,
    diameter_mm: f64,
    groove_mm: f64,
    base_mm: f64,
    segments: usize,
) -> Result<Solid> {
    length("fresnel", "focal_mm", focal_mm)?;
    check_range("fresnel.index", index, 1.1, 4.0, "")?;
    length("fresnel", "diameter_mm", diameter_mm)?;
    length("fresnel", "base_mm", base_mm)?;
    let half = diameter_mm / 2.0;
    check_range("fresnel.groove_mm", groove_mm, diameter_mm * 1e-4, half, "mm")?;
    let grooves = (half / groove_mm - 1e-9).ceil() as usize;
    let mut profile = vec![[0.0, 0.0], [half, 0.0]];
    for i in (0..grooves).rev() {
        let (inner, outer) = (groove_mm * i as f64, half.min(groove_mm * (i + 1) as f64));
        let rise = fresnel_slope(focal_mm, index, (inner + outer) / 2.0) * (outer - inner);
        profile.extend([[outer, base_mm], [inner, base_mm + rise]]);
    }
    lathe("fresnel", &[profile], segments)
}

/// A lenticular sheet: cylinder lenses of `radius_mm` side by side at `pitch_mm`, lying along x,
/// focused on the flat back at z = 0, so n·R/(n−1) thick. Its width along y is rounded down to
/// whole lenses.
///
/// # Errors
/// [`Error::Value`](crate::Error::Value) when a number is not sensible, the pitch exceeds 2R or
/// the width holds no lens.
pub fn lenticular(
    radius_mm: f64,
    index: f64,
    pitch_mm: f64,
    length_mm: f64,
    width_mm: f64,
    segments: usize,
) -> Result<Solid> {
    let name = "lenticular";
    length(name, "radius_mm", radius_mm)?;
    check_range("lenticular.index", index, 1.1, 4.0, "")?;
    check_range("lenticular.pitch_mm", pitch_mm, LENGTH_MM.0, 2.0 * radius_mm, "mm")?;
    length(name, "length_mm", length_mm)?;
    check_range("lenticular.width_mm", width_mm, pitch_mm, LENGTH_MM.1, "mm")?;
    check_range("lenticular.segments", segments as f64, 1.0, 1e4, "")?;
    let lenses = (width_mm / pitch_mm + 1e-9) as usize;
    at_most(name, lenses as f64 * (segments + 1) as f64, MOST_POINTS, "points")?;
    let center = index * radius_mm / (index - 1.0) - radius_mm;
    let open = (pitch_mm / 2.0 / radius_mm).asin();
    let mut outline = vec![[0.0, 0.0], [lenses as f64 * pitch_mm, 0.0]];
    for i in (0..lenses).rev() {
        let middle = [(i as f64 + 0.5) * pitch_mm, center];
        let points = arc(middle, radius_mm, FRAC_PI_2 - open, FRAC_PI_2 + open, segments);
        // neighbours share the valley between them
        outline.extend_from_slice(&points[usize::from(i + 1 < lenses)..]);
    }
    let (_, vertices, triangles) = Mesh::from(extrude(name, &[outline], length_mm)?).into_parts();
    let laid = vertices.iter().map(|p| Point::new(p.z, p.x, p.y)).collect();
    solid(name, laid, triangles)
}

/// Checks a spherical face and returns its sag.
fn face(name: &str, what: &str, radius_mm: f64, diameter_mm: f64) -> Result<f64> {
    length(name, what, radius_mm)?;
    length_below(name, "diameter_mm", diameter_mm, 2.0 * radius_mm)?;
    Ok(sag_mm(radius_mm, diameter_mm / 2.0))
}

/// Profile of a spherical face from its rim to its vertex at `top`, vertex up.
fn dome(radius_mm: f64, diameter_mm: f64, top: f64, segments: usize) -> Ring {
    let rim = (diameter_mm / 2.0 / radius_mm).acos();
    let mut points = arc([0.0, top - radius_mm], radius_mm, rim, FRAC_PI_2, (segments / 4).max(2));
    if let Some(vertex) = points.last_mut() {
        vertex[0] = 0.0;
    }
    points
}
