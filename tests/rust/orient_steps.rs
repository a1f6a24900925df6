//! Steps and light: arithmetic from the formula beside each, and the sweep that shows it.

use approx::{assert_abs_diff_eq, assert_relative_eq};
use std::f64::consts::PI;
use std::sync::Arc;
use vatwright::mechanics::optics;
use vatwright::mesh::shapes;
use vatwright::passes::orient::Orient;
use vatwright::{Context, Part, Setup, Vector};

#[test]
fn quiet_angles_come_out_of_the_formula() {
    for (h, p, angle, pv, rms) in [
        (0.050, 0.050, 45.00, 35.36, 10.21),
        (0.050, 0.035, 55.01, 28.67, 8.28),
        (0.020, 0.050, 21.80, 18.57, 5.36),
    ] {
        assert_abs_diff_eq!(optics::quiet_angle_deg(h, p), angle, epsilon = 0.005);
        assert_abs_diff_eq!(optics::quiet_step_mm(h, p) * 1e3, pv, epsilon = 0.005);
        assert_abs_diff_eq!(
            optics::rms_mm(optics::quiet_step_mm(h, p)) * 1e3,
            rms,
            epsilon = 0.005
        );
    }
    assert_abs_diff_eq!(optics::step_mm(0.05, 0.05, 0.0), 0.05, epsilon = 1e-15);
}

#[test]
fn light_sees_the_steps() {
    // Bennett & Porteus for 10 nm at 550 nm, n = 1.5; Rayleigh's quarter wave (from memory).
    assert_abs_diff_eq!(optics::reflected_scatter(10e-6, 550.0), 0.0522, epsilon = 5e-5);
    assert_abs_diff_eq!(optics::transmitted_scatter(10e-6, 550.0, 1.5), 0.00326, epsilon = 5e-6);
    assert_abs_diff_eq!(optics::quarter_wave_mm(550.0, 1.5), 275e-6, epsilon = 1e-12);
    // A thin prism of 10° and n = 1.5 turns light by 5° (any textbook of optics, from memory).
    assert_abs_diff_eq!(optics::spread_deg(10.0, 1.5), 5.0, epsilon = 1e-12);
    assert_abs_diff_eq!(optics::spread_deg(170.0, 1.5), 5.0, epsilon = 1e-12);
    assert_abs_diff_eq!(optics::spread_deg(80.0, 1.5), 5.0, epsilon = 1e-12);
}

/// A patch of voxels measured: layers and pixels of a plane, seen along it. A pixel is solid where
/// its centre is below the plane.
fn measured_step_mm(h: f64, p: f64, theta_deg: f64, steps: u32) -> f64 {
    let (sin, cos) = theta_deg.to_radians().sin_cos();
    let shallow = h * cos >= p * sin;
    let mut sum = 0.0;
    for phase in 0..50 {
        let phase = f64::from(phase) / 50.0;
        // Corners of the stair above and below the plane over the patch.
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for i in 0..steps {
            let i = f64::from(i) + phase;
            let (inner, outer) = if shallow {
                // Layer i ends at the last pixel whose centre the plane has not passed.
                let edge = (i * h / (sin / cos) / p).round() * p;
                ([edge, (i - 0.5) * h], [edge, (i + 0.5) * h])
            } else {
                // Pixel i ends at the last layer.
                let top = (i * p * (sin / cos) / h).round() * h;
                ([(i - 0.5) * p, top], [(i + 0.5) * p, top])
            };
            for [x, z] in [inner, outer] {
                let off = z * cos - x * sin;
                (low, high) = (low.min(off), high.max(off));
            }
        }
        sum += (high - low) / 50.0;
    }
    sum
}

#[test]
fn a_patch_of_steps_is_as_high_as_voxels_are() {
    let (h, p) = (0.05, 0.035);
    for theta in [3.0, 12.0, 27.0, 35.0, 50.0, 54.5, 55.008, 55.4, 60.0, 70.7, 71.0, 85.0] {
        for steps in [5, 20, 100] {
            let said = optics::patch_step_mm(h, p, theta, f64::from(steps));
            let seen = measured_step_mm(h, p, theta, steps);
            let bound = optics::step_mm(h, p, theta);
            assert!(seen - 0.02 * bound <= said && said <= seen + 0.1 * bound);
        }
        let bound = optics::step_mm(h, p, theta);
        assert!(optics::patch_step_mm(h, p, theta, 1e9) <= bound + 1e-12);
    }
}

#[test]
fn quiet_angles_are_the_minima_of_a_sweep() {
    // A signal's glass, its upper face kept clean; tilted about y its slope runs along x.
    let mut part = Part::new(shapes::cuboid(20.0, 12.0, 2.0).unwrap());
    part.keep_clean =
        Arc::new((0..12).map(|i| part.body.area_normal(i).normalize().z > 0.9).collect());
    for (h, p, angle) in [(0.050, 0.050, 45.00), (0.050, 0.035, 55.01), (0.020, 0.050, 21.80)] {
        let mut setup = Setup::default();
        (setup.exposure.layer_mm, setup.machine.pixel_mm) = (h, p);
        let ctx = Context::new(setup);
        let o = Orient { fine_mm: Some(1.0), ..Orient::default() };
        let least = |from, to, steps| {
            let sweep = o.sweep(&part, Vector::y(), from, to, steps, &ctx).unwrap();
            let least =
                sweep.iter().min_by(|a, b| a.terms.clean_step_mm.total_cmp(&b.terms.clean_step_mm));
            let least = least.unwrap();
            (least.angle_deg, least.terms.clean_step_mm)
        };
        let (near, _) = least(0.0, 90.0, 901);
        assert_abs_diff_eq!(near, angle, epsilon = 0.051);
        let (close, step) = least(near - 0.1, near + 0.1, 41);
        assert_abs_diff_eq!(close, angle, epsilon = 0.0051);
        assert_relative_eq!(step, h * p / h.hypot(p), max_relative = 0.01);
    }
}

#[test]
fn a_spheres_stairs_hold_what_the_closed_form_says() {
    // Sum of A·(h/2)·|n_z| over a sphere: πR²h, here 15.708 mm³.
    let part = Part::new(shapes::sphere(10.0, 20_000).unwrap());
    let o = Orient { fine_mm: Some(1.0), ..Orient::default() };
    for tilt in o.sweep(&part, Vector::x(), 0.0, 80.0, 3, &Context::new(Setup::default())).unwrap()
    {
        assert_relative_eq!(tilt.terms.stair_mm3, PI * 100.0 * 0.05, max_relative = 2e-3);
    }
}
