//! The dose and the layers as they will be, against closed forms, sums over the plane and worked
//! values.

use approx::assert_relative_eq;
use std::f64::consts::PI;
use vatwright::layers::{Grid, Layers, SUBPIXEL, Scan, Surface};
use vatwright::light::{Dose, Light};
use vatwright::mechanics::light::EdgeBlur;
use vatwright::mesh::shapes::{cuboid, cylinder, figure, gear};
use vatwright::{Job, Mesh, Point, Pose, Setup, Solid};

const CORE: EdgeBlur = EdgeBlur { sigma_mm: 0.03, gamma_mm: 0.0, tail_share: 0.0 };
const TAILS: EdgeBlur = EdgeBlur { sigma_mm: 0.0, gamma_mm: 0.025, tail_share: 1.0 };
const MIX: EdgeBlur = EdgeBlur { sigma_mm: 0.03, gamma_mm: 0.05, tail_share: 0.4 };
const LAYER_MM: f64 = 0.05;

/// Dp = 120 µm, Ec = 6, E = 12 mJ/cm², no first layers.
fn light(blur: EdgeBlur) -> Light {
    Light {
        blur,
        penetration_mm: 0.12,
        critical_mj_cm2: 6.0,
        dose_mj_cm2: 12.0,
        first_layers: 0,
        first_dose_mj_cm2: 12.0,
    }
}

fn dose(mesh: &Mesh, at: [f64; 3], light: Light, pitch_mm: f64) -> Dose {
    let pose = Pose::translation(at[0], at[1], at[2]);
    let surface = Surface { pose, ..Surface::body(mesh) };
    Dose::new(&[surface], light, LAYER_MM, pitch_mm).unwrap()
}

/// Shares of light in the last layer at the centres of its pixels.
fn shares(dose: &Dose, e: f64) -> Vec<(f64, f64, f64)> {
    let (g, mut out) = (*dose.grid(), Vec::new());
    dose.each_layer(&Job::default(), |field| {
        if field.layer + 1 == g.layers {
            for j in 0..g.rows {
                for (i, v) in field.row(j).iter().enumerate() {
                    let p = g.pixel(i as u32, j, 0);
                    out.push((p.x, p.y, f64::from(*v) / e));
                }
            }
        }
        Ok(())
    })
    .unwrap();
    out
}

/// Edges, a slot of light, a pin and a corner are all a rectangle somewhere.
#[test]
fn rectangles_agree_with_the_closed_form() {
    // Ends along x anywhere; across, where scan rows meet, since others are met to an eighth of
    // a pixel only.
    for (width, depth) in [(3.0, 2.5), (0.1, 2.5), (0.0937, 0.1)] {
        let block = cuboid(width, depth, LAYER_MM).unwrap();
        for blur in [CORE, TAILS, MIX] {
            let (x0, y0) = (0.0113, 0.0125);
            let mut worst: f64 = 0.0;
            for (x, y, share) in shares(&dose(&block, [x0, y0, 0.0], light(blur), 0.025), 12.0) {
                let corner = |a: f64, b: f64| blur.corner(x - a, y - b);
                let (x1, y1) = (x0 + width, y0 + depth);
                let truth = corner(x1, y1) - corner(x0, y1) - corner(x1, y0) + corner(x0, y0);
                worst = worst.max((share - truth).abs());
            }
            assert!(worst < 5e-3, "{width} × {depth} mm, {blur:?}: {worst}");
        }
    }
}

#[test]
fn discs_agree_with_the_closed_form() {
    for radius in [0.06, 0.2, 1.0] {
        // A regular polygon of the circle's area.
        let n = 400;
        let r = radius * (2.0 * PI / n as f64 / (2.0 * PI / n as f64).sin()).sqrt();
        let disc = cylinder(r, LAYER_MM, n).unwrap();
        for blur in [CORE, TAILS, MIX] {
            let mut middle = 0.0;
            dose(&disc, [0.0; 3], light(blur), 0.025)
                .each_layer(&Job::default(), |field| {
                    middle = field.at(&Point::new(0.0, 0.0, LAYER_MM)) / 12.0;
                    Ok(())
                })
                .unwrap();
            let truth = blur.disc(radius);
            // A small disc has few scan rows, which its round ends are rough for.
            assert!((middle - truth).abs() < 8e-3, "{radius}, {blur:?}: {middle} for {truth}");
        }
    }
}

/// Against the sum over all lit scan cells of the spread itself (direct convolution).
#[test]
fn any_outline_agrees_with_direct_convolution() {
    let gear = gear(0.2, 17, LAYER_MM, 0.5, 4).unwrap();
    let found = shares(&dose(&gear, [0.0; 3], light(MIX), 0.025), 12.0);
    let surface = Surface::body(&gear);
    let fine = Grid::around(&[surface], LAYER_MM, 0.005).unwrap();
    let mask = Scan::new(&[surface], fine).layers(&Job::default()).unwrap();
    let (s, g, t) = (MIX.sigma_mm, MIX.gamma_mm, MIX.tail_share);
    let point = |r: f64| {
        (1.0 - t) * (-0.5 * (r / s).powi(2)).exp() / (2.0 * PI * s * s)
            + t * g / (2.0 * PI * (r * r + g * g).powf(1.5))
    };
    let lit: Vec<Point> = mask
        .mask(0)
        .iter()
        .enumerate()
        .filter(|(_, v)| **v > 0)
        .map(|(i, _)| fine.pixel(i as u32 % fine.columns, i as u32 / fine.columns, 0))
        .collect();
    for &(x, y, share) in found.iter().step_by(997) {
        let sum: f64 = lit.iter().map(|p| point((p.x - x).hypot(p.y - y))).sum();
        let truth = sum * 0.005 * 0.005;
        assert!((share - truth).abs() < 0.01, "({x}, {y}): {share} for {truth}");
    }
}

/// x = γ·cot(πEc/E): 158 µm at twenty times the critical dose (derived).
#[test]
fn an_edge_cures_where_the_closed_form_says() {
    let block = cuboid(6.0, 6.0, LAYER_MM).unwrap();
    // A sum of normals stands for the tails, their shares within 0.002; far out the light falls so
    // slowly that this moves the edge by micrometres.
    for (blur, within) in [(CORE, 0.001), (TAILS, 0.0075), (MIX, 0.0065)] {
        for times in [1.5, 4.0, 20.0] {
            let mut light = light(blur);
            // What is left of it at the layer's middle counts.
            light.dose_mj_cm2 = times * 6.0 / light.left(0.5 * LAYER_MM);
            let cured = dose(&block, [0.0; 3], light, 0.025).cured(&Job::default()).unwrap();
            let g = cured.grid;
            let row = cured.layer(0).row(((3.0 - g.y0_mm) / g.pitch_mm) as u32);
            let [span] = row else { panic!("{row:?}") };
            let at = |x: u32| g.x0_mm + f64::from(x) * g.pitch_mm / f64::from(SUBPIXEL);
            let growth = blur.growth_mm(6.0 * times, 6.0);
            for grown in [-at(span.x0), at(span.x1) - 6.0] {
                assert!((grown - growth).abs() < within, "{blur:?} {times}: {grown} {growth}");
            }
        }
    }
}

/// Ends of spans come to lie better with finer pixels: second order or more.
#[test]
fn finer_pixels_find_edges_better() {
    let block = cuboid(2.0, 2.0, LAYER_MM).unwrap();
    let mut light = light(CORE);
    light.dose_mj_cm2 = 120.0;
    let growth = CORE.growth_mm(120.0 * light.left(0.5 * LAYER_MM), 6.0);
    let worst = |pitch: f64| {
        let off = (0..8).map(|i| {
            let at = [f64::from(i) * pitch / 8.0, 0.0, 0.0];
            let cured = dose(&block, at, light, pitch).cured(&Job::default()).unwrap();
            let g = cured.grid;
            let span = cured.layer(0).row(((1.0 - g.y0_mm) / g.pitch_mm) as u32)[0];
            let width = f64::from(span.length()) * g.pitch_mm / f64::from(SUBPIXEL);
            (0.5 * (width - 2.0) - growth).abs()
        });
        off.fold(0.0, f64::max)
    };
    let (coarse, fine) = (worst(0.04), worst(0.01));
    assert!(coarse < 0.006 && fine < coarse / 8.0, "{coarse} {fine}");
}

/// Print-through beyond a face that looks towards the plate: d1, d2, d5 and d∞ of Dp = 120 µm,
/// Ec = 6, E = 12 mJ/cm² and 50 µm layers (derived; compare Limaye & Rosen 2007, from memory).
#[test]
fn doses_of_many_layers_add_up_to_print_through() {
    for (layers, printed_um) in [(1, 33.18), (2, 93.94), (5, 146.41), (60, 162.37)] {
        let slab = cuboid(1.0, 1.0, f64::from(layers) * LAYER_MM).unwrap();
        let dose = dose(&slab, [0.0, 0.0, 0.5], light(CORE), 0.025);
        let mut reached = None;
        let job = Job::default();
        dose.each_layer(&job, |field| {
            let low = f64::from(field.layer) * LAYER_MM;
            let at = |z: f64| field.at(&Point::new(0.5, 0.5, z));
            if reached.is_none() && at(low) < 6.0 {
                // Within a layer the light falls exponentially: Beer–Lambert.
                reached = Some(low + 0.12 * (6.0 / at(low)).ln());
            }
            Ok(())
        })
        .unwrap();
        let through_um = 1e3 * (0.5 - reached.unwrap());
        assert!((through_um - printed_um).abs() < 0.02, "{layers}: {through_um} µm");
    }
}

fn whole(setup: &Setup, solid: &Solid, pitch_mm: f64) -> Dose {
    let low = solid.bounds().min;
    dose(solid, [-low.x, -low.y, -low.z], Light::of(setup), pitch_mm)
}

#[test]
fn light_is_kept_and_more_of_it_cures_no_less() {
    let disc = cylinder(1.0, LAYER_MM, 100).unwrap();
    let found = shares(&dose(&disc, [0.0; 3], light(CORE), 0.02), 12.0);
    let sum: f64 = found.iter().map(|s| s.2).sum::<f64>() * 0.02 * 0.02;
    // Area of the regular polygon, any handbook.
    assert_relative_eq!(sum, 50.0 * (2.0 * PI / 100.0).sin(), max_relative = 1e-3);

    let body = figure(3, 12.0, 5_000, &Job::default()).unwrap();
    let mut setup = Setup::default();
    let mut less: Option<Layers> = None;
    for exposure_s in [2.0, 3.0, 4.5] {
        setup.exposure.exposure_s = exposure_s;
        let cured = whole(&setup, &body, 0.1).cured(&Job::default()).unwrap();
        if let Some(less) = &less {
            let g = cured.grid;
            // Both lie on one lattice; the wider has room on more sides.
            let shift = |of: f64, from: f64| ((of - from) / g.pitch_mm).round() as u32;
            let (dx, dy) = (shift(less.grid.x0_mm, g.x0_mm), shift(less.grid.y0_mm, g.y0_mm));
            assert_relative_eq!(less.grid.x0_mm, g.x0_mm + f64::from(dx) * g.pitch_mm);
            for (a, b) in less.layers.iter().zip(&cured.layers) {
                for row in a.rows() {
                    for s in a.row(row) {
                        let (x0, x1) = (s.x0 + dx * SUBPIXEL, s.x1 + dx * SUBPIXEL);
                        let held = b.row(row + dy).iter().any(|t| t.x0 <= x0 + 1 && x1 <= t.x1 + 1);
                        assert!(held, "{exposure_s} s, row {row}: {s:?}");
                    }
                }
            }
        }
        less = Some(cured);
    }
}

#[test]
fn a_mirrored_mask_gives_a_mirrored_dose() {
    let body = figure(5, 8.0, 5_000, &Job::default()).unwrap();
    let b = body.bounds();
    let (cx, cy) = (b.center().x, b.center().y);
    // Turned by half about z: mirrored along x and along y.
    let turn = nalgebra::UnitQuaternion::from_axis_angle(&vatwright::Vector::z_axis(), PI);
    let turned = body.transformed(&(Pose::from_parts(Default::default(), turn)));
    let light = Light::of(&Setup::default());
    let fields = |mesh: &Mesh, at: [f64; 3], side: f64| {
        let mut out = Vec::new();
        dose(mesh, at, light, 0.05)
            .each_layer(&Job::default(), |field| {
                let z = (f64::from(field.layer) + 0.5) * LAYER_MM;
                for i in -20..=20 {
                    let p = Point::new(0.05 * f64::from(i), 0.025 * f64::from(i), z);
                    out.push(field.at(&Point::new(side * p.x, side * p.y, z)));
                }
                Ok(())
            })
            .unwrap();
        out
    };
    let here = fields(&body, [-cx, -cy, -b.min.z], 1.0);
    let there = fields(&turned, [cx, cy, -b.min.z], -1.0);
    let most = here.iter().fold(0.0_f64, |m, v| m.max(*v));
    for (a, b) in here.iter().zip(&there) {
        // Walls come to lie otherwise between scan rows, an eighth of a pixel.
        assert!((a - b).abs() < 0.06 * most, "{a} {b}");
    }
}

#[test]
fn the_same_bytes_on_any_number_of_threads() {
    let body = figure(2, 10.0, 5_000, &Job::default()).unwrap();
    let dose = whole(&Setup::default(), &body, 0.05);
    let cured = |threads: usize| {
        let job = Job::default().with_threads(threads);
        job.pool().unwrap().install(|| dose.cured(&job)).unwrap()
    };
    assert_eq!(cured(1), cured(3));
}
