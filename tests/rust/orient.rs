//! Orient against parts whose best pose is known, and against itself at finer pitch.

use approx::{assert_abs_diff_eq, assert_relative_eq};
use nalgebra::UnitQuaternion;
use std::sync::Arc;
use vatwright::mechanics::optics;
use vatwright::mesh::shapes;
use vatwright::passes::Pass;
use vatwright::passes::orient::{Goal, Orient, Search, Weights};
use vatwright::{Context, Part, Setup, Solid, Vector};

fn ctx() -> Context {
    Context::new(Setup::default())
}

fn only(set: impl Fn(&mut Weights)) -> Weights {
    let mut w = Weights {
        time: 0.0,
        peak_peel: 0.0,
        mean_peel: 0.0,
        cups: 0.0,
        islands: 0.0,
        overhang: 0.0,
        flats: 0.0,
        clean_contact: 0.0,
        clean_steps: 0.0,
        steps: 0.0,
        lean: 0.0,
    };
    set(&mut w);
    w
}

fn few(weights: Weights) -> Orient {
    Orient { directions: 120, refine: 6, weights, ..Orient::default() }
}

fn search(orient: &Orient, solid: Solid) -> Search {
    orient.search(&Part::new(solid), &ctx()).unwrap()
}

/// Angle of a build direction from an axis, degrees, whichever way round.
fn from_axis(up: &Vector, axis: Vector) -> f64 {
    up.dot(&axis).abs().clamp(0.0, 1.0).acos().to_degrees()
}

#[test]
fn a_rod_lies_for_time_and_stands_for_peel() {
    let rod = || shapes::cylinder(2.0, 40.0, 60).unwrap();
    let lying = &search(&few(only(|w| w.time = 1.0)), rod()).fine[0];
    assert!(from_axis(&lying.up, Vector::z()) > 85.0, "{:?}", lying.up);
    assert_abs_diff_eq!(lying.terms.height_mm, 4.0, epsilon = 0.8);
    let standing = &search(&few(only(|w| w.peak_peel = 1.0)), rod()).fine[0];
    assert!(from_axis(&standing.up, Vector::z()) < 5.0, "{:?}", standing.up);
    // Closed form: a standing rod's section is a disc of 2 mm; peel is 20 kPa times its area.
    assert_relative_eq!(
        standing.terms.peak_peel_n,
        0.02 * std::f64::consts::PI * 4.0,
        max_relative = 0.03
    );
    assert_relative_eq!(standing.terms.height_mm, 40.0, max_relative = 1e-2);
}

#[test]
fn a_slab_is_tilted_and_its_largest_section_is_that_of_a_tilted_box() {
    // A box a × b × t turned by θ about b: the widest level section is b·min(t/sinθ, a/cosθ).
    let (a, b, t): (f64, f64, f64) = (40.0, 20.0, 3.0);
    let part = Part::new(shapes::cuboid(a, b, t).unwrap());
    let o = Orient { fine_mm: Some(0.1), ..Orient::default() };
    let sweep = o.sweep(&part, Vector::y(), 0.0, 90.0, 10, &ctx()).unwrap();
    for tilt in &sweep {
        let (sin, cos) = tilt.angle_deg.to_radians().sin_cos();
        let exact = b * (t / sin.max(1e-9)).min(a / cos.max(1e-9));
        assert_relative_eq!(tilt.terms.peak_section_mm2, exact, max_relative = 0.02);
        assert_relative_eq!(tilt.terms.height_mm, a * sin + t * cos, max_relative = 1e-9);
    }
    let best = &search(&few(Weights::default()), shapes::cuboid(a, b, t).unwrap()).fine[0];
    assert!(from_axis(&best.up, Vector::z()) > 20.0, "tilted from flat: {:?}", best.up);
}

#[test]
fn a_cup_is_turned_so_that_it_never_seals() {
    let bowl = shapes::bowl(10.0, 2.0, 0.0, 80).unwrap();
    let best = &search(&few(Weights::default()), bowl).fine[0];
    assert_eq!(best.terms.cup_mm2, 0.0);
    assert_eq!(best.terms.pocket_mm3, 0.0);
}

#[test]
fn a_disc_lens_is_never_rested_on_its_clean_face() {
    let lens = shapes::plano_convex(50.0, 25.0, 4.0, 90).unwrap();
    let mut part = Part::new(lens);
    // The curved face: facets that neither face straight down nor belong to the rim.
    let clean: Vec<bool> = (0..part.body.triangles().len())
        .map(|i| {
            let n = part.body.area_normal(i).normalize();
            n.z > 0.5
        })
        .collect();
    part.keep_clean = Arc::new(clean);
    let o = Orient { directions: 120, refine: 6, ..Orient::default() };
    let done = o.apply(part.clone(), &ctx()).unwrap();
    assert_eq!(done.report.numbers["clean_contact_mm2"], 0.0);
    let up = done.value.pose.rotation.inverse() * Vector::z();
    assert!(up.z > -0.7, "{up:?}");
    // With the clean face's steps first, the face stands near a quiet angle or better than flat.
    let steep = Orient { goals: vec![Goal::CleanSteps], slack: 0.02, ..o };
    let found = steep.search(&part, &ctx()).unwrap();
    let least = found.fine.iter().map(|c| c.terms.clean_step_mm).fold(f64::INFINITY, f64::min);
    assert_relative_eq!(found.fine[0].terms.clean_step_mm, least, max_relative = 0.03);
}

#[test]
fn a_sphere_is_indifferent() {
    let found = search(
        &Orient {
            directions: 60,
            ..few(only(|w| (w.time, w.peak_peel, w.steps) = (1.0, 1.0, 1.0)))
        },
        shapes::sphere(10.0, 20_000).unwrap(),
    );
    let scores = found.fine.iter().map(|c| c.score);
    let (low, high) = scores.fold((f64::INFINITY, 0.0f64), |(a, b), s| (a.min(s), b.max(s)));
    assert!(high / low < 1.01, "{low} … {high}");
}

#[test]
fn goals_come_in_their_order() {
    let rod = || shapes::cylinder(2.0, 40.0, 60).unwrap();
    let time = Orient { goals: vec![Goal::Time, Goal::Peel], ..few(Weights::default()) };
    let peel = Orient { goals: vec![Goal::Peel, Goal::Time], ..few(Weights::default()) };
    let (time, peel) = (search(&time, rod()), search(&peel, rod()));
    assert!(time.fine[0].terms.time_s < 0.5 * peel.fine[0].terms.time_s);
    assert!(peel.fine[0].terms.peak_peel_n < 0.5 * time.fine[0].terms.peak_peel_n);
    assert!(time.coarse.iter().filter(|c| c.front).count() >= 2);
}

#[test]
fn a_part_too_large_for_the_machine_says_so_and_bad_options_are_refused() {
    let slab = Part::new(shapes::cuboid(300.0, 250.0, 200.0).unwrap());
    let o = Orient { directions: 20, refine: 2, ..Orient::default() };
    let done = o.apply(slab.clone(), &ctx()).unwrap();
    assert_eq!(done.report.findings[0].code, "too_large");
    let bad = Orient { slack: f64::NAN, ..o.clone() };
    assert_eq!(bad.apply(slab.clone(), &ctx()).unwrap_err().code(), "value");
    let stop = ctx();
    stop.cancel.cancel();
    assert_eq!(o.apply(slab, &stop).unwrap_err().code(), "cancelled");
}

#[test]
fn a_long_part_is_turned_to_fit_the_plate() {
    // 120 mm along y fits the 130 × 80 mm plate only along x.
    let bar = shapes::cuboid(20.0, 120.0, 20.0).unwrap();
    let o =
        Orient { directions: 40, refine: 3, weights: only(|w| w.time = 1.0), ..Orient::default() };
    let part = o.apply(Part::new(bar), &ctx()).unwrap().value;
    let size = part.bounds().size();
    assert!(size.x <= 130.0 && size.y <= 80.0, "{size:?}");
}

#[test]
fn thread_counts_give_the_same_pose() {
    let run = |threads| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        let found = pool
            .install(|| search(&few(Weights::default()), shapes::torus(10.0, 3.0, 60).unwrap()));
        serde_json::to_string(&found).unwrap()
    };
    let one = run(1);
    assert!(one == run(2) && one == run(7));
}

// --- steps and light: arithmetic from the formula beside each ---

#[test]
fn quiet_angles_come_out_of_the_formula_and_of_a_sweep() {
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
}
#[test]
fn a_turned_model_finds_an_equally_good_pose() {
    let bracket = || {
        shapes::extrude(
            "bracket",
            &[vec![[0.0, 0.0], [30.0, 0.0], [30.0, 4.0], [4.0, 4.0], [4.0, 20.0], [0.0, 20.0]]],
            12.0,
        )
        .unwrap()
    };
    let o = Orient::default();
    let plain = search(&o, bracket()).fine[0].score;
    for i in 1..4 {
        let angle = f64::from(i) * 0.9;
        let turn = UnitQuaternion::from_euler_angles(angle, 0.7 * angle, 0.3 * angle);
        let pose = vatwright::Pose::from_parts(nalgebra::Translation3::identity(), turn);
        let turned = Solid::try_from(bracket().transformed(&pose)).unwrap();
        assert_relative_eq!(search(&o, turned).fine[0].score, plain, max_relative = 0.08);
    }
}
