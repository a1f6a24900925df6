//! Spur gears by the basic rack of ISO 53.

use super::{MOST_POINTS, Ring, arc, at_most, extrude, length};
use crate::error::{Result, check_range};
use crate::mesh::Solid;
use std::f64::consts::{PI, TAU};

/// Pressure angle of the basic rack, degrees.
const PRESSURE_DEG: f64 = 20.0;
/// Addendum, dedendum and root fillet radius of the basic rack, in modules.
const ADDENDUM: f64 = 1.0;
const DEDENDUM: f64 = 1.25;
const FILLET: f64 = 0.38;

/// A spur gear about the z axis, standing on z = 0, as cut by the basic rack of ISO 53 (profile
/// A: pressure angle 20°, addendum 1.0 m, dedendum 1.25 m, fillet 0.38 m): involute flanks, and
/// at the root the curve that the rack's rounded tip sweeps. No profile shift, no backlash. A
/// tooth stands on the +x axis. A `bore_mm` above 0 is the diameter of a central bore. Each flank
/// and each fillet has `steps` segments.
///
/// # Errors
/// [`Error::Value`](crate::Error::Value) when a number is not sensible, for fewer than 17 teeth
/// (the rack would undercut them), or when the bore reaches the roots.
pub fn gear(
    module_mm: f64,
    teeth: usize,
    width_mm: f64,
    bore_mm: f64,
    steps: usize,
) -> Result<Solid> {
    length("gear", "module_mm", module_mm)?;
    check_range("gear.teeth", teeth as f64, 17.0, 1000.0, "")?;
    check_range("gear.steps", steps as f64, 1.0, 1000.0, "")?;
    let z = teeth as f64;
    at_most("gear", z * (5 * steps) as f64, MOST_POINTS, "points")?;
    let root = module_mm * (z / 2.0 - DEDENDUM);
    check_range("gear.bore_mm", bore_mm, 0.0, 1.95 * root, "mm")?;

    let half = half_tooth(module_mm, z, steps);
    let mut outline: Ring = Vec::with_capacity(teeth * (2 * half.len() + 2));
    for tooth in 0..teeth {
        let axis = TAU * tooth as f64 / z;
        let mut put = |[radius, angle]: [f64; 2]| {
            outline.push([radius * (axis + angle).cos(), radius * (axis + angle).sin()]);
        };
        half.iter().for_each(|&[r, a]| put([r, -a]));
        // over the tip
        let [tip, tip_angle] = half[half.len() - 1];
        let over = (steps / 2).max(1);
        (1..over).for_each(|i| put([tip, tip_angle * (2.0 * i as f64 / over as f64 - 1.0)]));
        half.iter().rev().for_each(|&[r, a]| put([r, a]));
        // along the root to the next tooth, unless the fillets meet
        let [bottom, bottom_angle] = half[0];
        if PI / z - bottom_angle > 1e-9 {
            put([bottom, PI / z]);
        }
    }
    let mut rings = vec![outline];
    if bore_mm > 0.0 {
        let mut bore = arc([0.0, 0.0], bore_mm / 2.0, 0.0, TAU, (teeth * 4).max(64));
        bore.pop();
        rings.push(bore);
    }
    extrude("gear", &rings, width_mm)
}

/// One side of a tooth from root to tip as (radius, angle from the tooth's axis).
fn half_tooth(m: f64, z: f64, steps: usize) -> Ring {
    let alpha = PRESSURE_DEG.to_radians();
    let pitch_radius = m * z / 2.0;
    // The rack's tip: a circle that touches its flank and its flat end.
    let depth = m * (DEDENDUM - FILLET);
    let aside = m * PI / 4.0 - depth * alpha.tan() - m * FILLET / alpha.cos();
    // While the gear turns by φ the rack moves by r·φ; at each moment the two touch where the
    // line through the pitch point is normal to the tip circle. `reach` is the circle's place
    // along the rack, from right below the pitch point to where its flank takes over.
    let mut points: Ring = (0..=steps)
        .map(|i| {
            let reach = depth / alpha.tan() * i as f64 / steps as f64;
            let phi = (reach - aside) / pitch_radius;
            let far = 1.0 + m * FILLET / reach.hypot(depth);
            let (x, y) = (reach * far, pitch_radius - depth * far);
            // from the axis of the space to the axis of the tooth
            [x.hypot(y), PI / z - (x.atan2(y) - phi)]
        })
        .collect();
    let base = pitch_radius * alpha.cos();
    let involute = |pressure: f64| pressure.tan() - pressure;
    let pressure_at = |radius: f64| (base / radius).min(1.0).acos();
    // Equal steps of roll give points dense near the base, where the flank is most curved.
    let (from, to) =
        (pressure_at(points[steps][0]).tan(), pressure_at(pitch_radius + m * ADDENDUM).tan());
    for i in 1..=steps {
        let pressure = (from + (to - from) * i as f64 / steps as f64).atan();
        let angle = PI / (2.0 * z) + involute(alpha) - involute(pressure);
        points.push([base / pressure.cos(), angle]);
    }
    points
}
