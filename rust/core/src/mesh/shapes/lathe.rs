//! Bodies of revolution.

use super::{LENGTH_MM, MOST_TRIANGLES, Ring, at_most, oriented, solid};
use crate::error::{Result, check_range};
use crate::mesh::{Point, Solid};

/// Radii below this count as on the axis, mm.
const AXIS_MM: f64 = 1e-9;

/// Turns a profile of (radius, z) points about the z axis in `segments` steps. The first ring is
/// the outline, further rings are voids inside it. Points on the axis become poles; a ring
/// may run along the axis, never across it.
///
/// The volume is that of the true body of revolution times sin(2π/n)/(2π/n), n = `segments`
/// (each profile point runs on a regular polygon instead of a circle).
///
/// # Errors
/// [`Error::Value`](crate::Error::Value) for fewer than 3 segments, a ring without area, or a
/// negative radius.
pub fn lathe(name: &str, rings: &[Ring], segments: usize) -> Result<Solid> {
    check_range(&format!("{name}.segments"), segments as f64, 3.0, 1e5, "")?;
    let points: usize = rings.iter().map(Vec::len).sum();
    at_most(name, 2.0 * points as f64 * segments as f64, MOST_TRIANGLES, "triangles")?;
    let mut vertices = Vec::new();
    let mut triangles = Vec::new();
    let around: Vec<(f64, f64)> = (0..segments)
        .map(|i| (std::f64::consts::TAU * i as f64 / segments as f64).sin_cos())
        .collect();
    for (r, ring) in oriented(name, rings)?.into_iter().enumerate() {
        // First vertex of each profile point, and whether it is a pole.
        let mut rows = Vec::with_capacity(ring.len());
        for &[radius, z] in &ring {
            check_range(&format!("{name}.rings[{r}].radius"), radius, 0.0, LENGTH_MM.1, "mm")?;
            let pole = radius < AXIS_MM;
            rows.push((vertices.len() as u32, pole));
            if pole {
                vertices.push(Point::new(0.0, 0.0, z));
            } else {
                vertices.extend(around.iter().map(|(s, c)| Point::new(radius * c, radius * s, z)));
            }
        }
        for (i, &(a, a_pole)) in rows.iter().enumerate() {
            let (b, b_pole) = rows[(i + 1) % rows.len()];
            for j in 0..segments as u32 {
                let k = (j + 1) % segments as u32;
                let (aj, ak) = if a_pole { (a, a) } else { (a + j, a + k) };
                let (bj, bk) = if b_pole { (b, b) } else { (b + j, b + k) };
                if !a_pole {
                    triangles.push([aj, ak, bk]);
                }
                if !b_pole {
                    triangles.push([aj, bk, bj]);
                }
            }
        }
    }
    // A point on the axis between two others on the axis bounds nothing.
    drop_unused(&mut vertices, &mut triangles);
    solid(name, vertices, triangles)
}

fn drop_unused(vertices: &mut Vec<Point>, triangles: &mut [[u32; 3]]) {
    let mut used = vec![false; vertices.len()];
    triangles.iter().flatten().for_each(|&v| used[v as usize] = true);
    let mut next = 0;
    let moved: Vec<u32> = used
        .iter()
        .map(|&u| {
            let at = next;
            next += u32::from(u);
            at
        })
        .collect();
    let mut keep = used.iter();
    vertices.retain(|_| *keep.next().unwrap_or(&false));
    triangles.iter_mut().flatten().for_each(|v| *v = moved[*v as usize]);
}
