//! Steps: what layers and pixels leave on a surface, and what that means for light.
//!
//! θ is the angle of the surface from the horizontal plane (0°: parallel to the plate).

/// Greatest distance between a tilted plane and its layers and pixels, peak to valley, mm:
/// h·|cosθ| + p·|sinθ| (derived; the layer's share is the cusp of Dolenc & Mäkelä 1994, from
/// memory).
pub fn step_mm(layer_mm: f64, pixel_mm: f64, theta_deg: f64) -> f64 {
    let (sin, cos) = theta_deg.to_radians().sin_cos();
    layer_mm * cos.abs() + pixel_mm * sin.abs()
}

/// Distance between a tilted plane and its layers and pixels, peak to valley, over a patch of so
/// many steps, mean of all places of the patch, mm (derived), for a slope that runs along a row or
/// column of pixels: L + S·d(2 − d), with L the larger of h·|cosθ| and p·|sinθ|, S the smaller,
/// r = L/S and d = min(1, N·|r − round r|). A few percent high where N·|r − round r| nears 1.
///
/// Where r is whole, every step is like the next and S drops out; a little off, the steps drift
/// against the pixels and S comes back within N steps. [`step_mm`] is the limit of a large patch;
/// the least of all angles is [`quiet_step_mm`] at [`quiet_angle_deg`].
pub fn patch_step_mm(layer_mm: f64, pixel_mm: f64, theta_deg: f64, steps: f64) -> f64 {
    let (sin, cos) = theta_deg.to_radians().sin_cos();
    let (a, b) = (layer_mm * cos.abs(), pixel_mm * sin.abs());
    let (large, small) = (a.max(b), a.min(b));
    if small <= 0.0 {
        return large;
    }
    let ratio = large / small;
    let drift = (steps * (ratio - ratio.round()).abs()).min(1.0);
    large + small * drift * (2.0 - drift)
}

/// Volume between a plane face and the stairs of its layers, mm³: A·(h/2)·|cosθ| (derived).
pub fn stair_mm3(layer_mm: f64, area_mm2: f64, theta_deg: f64) -> f64 {
    area_mm2 * 0.5 * layer_mm * theta_deg.to_radians().cos().abs()
}

/// The angle at which a layer advances by just one pixel and the steps fall to their least,
/// degrees: tanθ = h/p (common practice; the geometry is derived).
///
/// ```
/// use vatwright::mechanics::optics::quiet_angle_deg;
/// assert!((quiet_angle_deg(0.05, 0.05) - 45.0).abs() < 1e-9);
/// ```
pub fn quiet_angle_deg(layer_mm: f64, pixel_mm: f64) -> f64 {
    (layer_mm / pixel_mm).atan().to_degrees()
}

/// Peak to valley of the steps at the quiet angle, mm: hp/√(h² + p²) (derived).
pub fn quiet_step_mm(layer_mm: f64, pixel_mm: f64) -> f64 {
    layer_mm * pixel_mm / layer_mm.hypot(pixel_mm)
}

/// Root mean square of a saw-tooth of the given peak to valley, mm: pv/√12 (derived).
pub fn rms_mm(peak_to_valley_mm: f64) -> f64 {
    peak_to_valley_mm / 12f64.sqrt()
}

/// Largest surface error that still keeps a lens's wave front within a quarter wave, mm:
/// λ/4(n − 1) (Rayleigh's rule, from memory): 275 nm at 550 nm and n = 1.5. A printed stair
/// misses it a hundredfold: an optical face needs a coat or polish.
pub fn quarter_wave_mm(wavelength_nm: f64, index: f64) -> f64 {
    wavelength_nm * 1e-6 / (4.0 * (index - 1.0))
}

/// Share of transmitted light that a rough face scatters: (2π(n−1)σ/λ)², for σ ≪ λ; values above
/// 1 mean all of it (after Bennett & Porteus, from memory).
pub fn transmitted_scatter(rms_mm: f64, wavelength_nm: f64, index: f64) -> f64 {
    (2.0 * std::f64::consts::PI * (index - 1.0) * rms_mm / (wavelength_nm * 1e-6)).powi(2)
}

/// Share of reflected light that a rough face scatters: (4πσ/λ)² (Bennett & Porteus, from memory).
pub fn reflected_scatter(rms_mm: f64, wavelength_nm: f64) -> f64 {
    (4.0 * std::f64::consts::PI * rms_mm / (wavelength_nm * 1e-6)).powi(2)
}

/// Angle by which steps turn light at most, degrees: a layer's tread lies at θ to the wanted
/// face, and a thin prism of index n turns light by (n − 1)·θ (derived, small angles).
pub fn spread_deg(theta_deg: f64, index: f64) -> f64 {
    let to_tread = theta_deg.abs().min(180.0 - theta_deg.abs());
    (index - 1.0) * to_tread.min(90.0 - to_tread)
}
