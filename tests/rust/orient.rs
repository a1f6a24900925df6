//! Orient against parts whose best pose is known, and against itself at finer pitch.

use approx::{assert_abs_diff_eq, assert_relative_eq};
use std::sync::Arc;
use vatwright::mechanics::peel::Model;
use vatwright::mechanics::time;
use vatwright::mesh::shapes;
use vatwright::passes::orient::{Goal, Orient, Search, Weights};
use vatwright::passes::{Pass, Support};
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
        holes: 0.0,
        seen_scars: 0.0,
        seen_steps: 0.0,
        upright: 0.0,
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
    let setup = Setup::default();
    let layer_mm = setup.exposure.layer_mm;
    // Layers of 4 mm against 40 mm, by the time of so many layers.
    let seconds = |height: f64| time::print_of(&setup, (height / layer_mm).round() as u32);
    let lying = &search(&few(only(|w| w.time = 1.0)), rod()).fine[0];
    assert_abs_diff_eq!(from_axis(&lying.up, Vector::z()), 90.0, epsilon = 1.0);
    assert_relative_eq!(lying.terms.height_mm, 4.0, max_relative = 0.05);
    assert_relative_eq!(lying.terms.time_s, seconds(4.0), max_relative = 0.05);
    // Its widest section runs through the axis: 4 × 40 mm.
    assert_relative_eq!(lying.terms.peak_section_mm2, 160.0, max_relative = 0.02);
    let standing = &search(&few(only(|w| w.peak_peel = 1.0)), rod()).fine[0];
    assert!(from_axis(&standing.up, Vector::z()) < 5.0, "{:?}", standing.up);
    // Every section is a disc of 2 mm.
    let disc = std::f64::consts::PI * 4.0;
    assert_relative_eq!(standing.terms.peak_section_mm2, disc, max_relative = 0.03);
    let peel_n = Model::of(&setup).force_n(disc, 1.0);
    assert_relative_eq!(standing.terms.peak_peel_n, peel_n, max_relative = 0.03);
    assert_relative_eq!(standing.terms.height_mm, 40.0, max_relative = 1e-2);
    assert_relative_eq!(standing.terms.time_s, seconds(40.0), max_relative = 1e-2);
}

/// The largest section of a box square to a direction: through its centre, a parallelogram or a
/// hexagon (derived; 3√3/4 for a unit cube along its diagonal).
fn largest_section(size: [f64; 3], up: &Vector) -> f64 {
    let volume: f64 = size.iter().product();
    let mut reach: Vec<f64> = size.iter().zip(up.iter()).map(|(s, u)| s * u.abs()).collect();
    reach.sort_by(f64::total_cmp);
    let [c, b, a] = reach[..] else { unreachable!() };
    if a >= b + c {
        return volume / a;
    }
    let squares = a * a + b * b + c * c;
    volume * (2.0 * (a * b + b * c + c * a) - squares) / (4.0 * a * b * c)
}

#[test]
fn a_slab_is_tilted_and_its_largest_section_is_that_of_a_tilted_box() {
    let unit = largest_section([1.0; 3], &Vector::new(1.0, 1.0, 1.0).normalize());
    assert_relative_eq!(unit, 0.75 * 3f64.sqrt(), max_relative = 1e-12);
    let size @ [a, b, t] = [40.0, 20.0, 3.0];
    let part = Part::new(shapes::cuboid(a, b, t).unwrap());
    let o = Orient { fine_mm: Some(0.1), ..Orient::default() };
    let sweep = o.sweep(&part, Vector::y(), 0.0, 90.0, 10, &ctx()).unwrap();
    for tilt in &sweep {
        let (sin, cos) = tilt.angle_deg.to_radians().sin_cos();
        let exact = largest_section(size, &Vector::new(sin, 0.0, cos));
        assert_relative_eq!(tilt.terms.peak_section_mm2, exact, max_relative = 0.02);
        assert_relative_eq!(tilt.terms.height_mm, a * sin + t * cos, max_relative = 1e-9);
    }
    // Whatever counts, the pose chosen has the section of its direction.
    let all = [
        Weights::default(),
        only(|w| (w.time, w.peak_peel) = (1.0, 1.0)),
        only(|w| (w.time, w.flats) = (1.0, 8.0)),
        only(|w| (w.peak_peel, w.overhang, w.lean) = (1.0, 1.0, 1.0)),
    ];
    for weights in all {
        let best = &search(&few(weights), shapes::cuboid(a, b, t).unwrap()).fine[0];
        assert!(from_axis(&best.up, Vector::z()) > 20.0, "tilted from flat: {:?}", best.up);
        let exact = largest_section(size, &best.up);
        // Standing square on the plate, its 3 mm may lose or gain a row of pixels.
        assert_relative_eq!(best.terms.peak_section_mm2, exact, max_relative = 0.04);
    }
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
fn no_tip_lands_on_the_flanks_of_a_clean_gear() {
    let gear = shapes::gear(2.0, 20, 6.0, 8.0, 4).unwrap();
    let mut part = Part::new(gear);
    // Flanks face sideways, between root and tip circle (35 and 44 mm).
    let flank = |i: usize| {
        let middle = part.body.corners(i).iter().map(|c| c.coords).sum::<Vector>() / 3.0;
        part.body.area_normal(i).normalize().z.abs() < 0.1 && middle.xy().norm() > 17.6
    };
    part.keep_clean = Arc::new((0..part.body.triangles().len()).map(flank).collect());
    let mut setup = Setup::default();
    (setup.exposure.layer_mm, setup.machine.pixel_mm) = (0.1, 0.1);
    let ctx = Context::new(setup);
    let o = Orient { directions: 120, refine: 6, lift_mm: 5.0, ..Orient::default() };
    let done = o.apply(part, &ctx).unwrap();
    assert_eq!(done.report.numbers["clean_contact_mm2"], 0.0);
    assert!(done.report.findings.is_empty(), "{:?}", done.report.findings);
    let held = Support::default().apply(done.value, &ctx).unwrap().value;
    let tips = &held.supports.as_ref().unwrap().tips;
    assert!(!tips.is_empty());
    let on_flank = tips.iter().filter_map(|t| t.facet).filter(|&f| held.is_keep_clean(f as usize));
    assert_eq!(on_flank.count(), 0, "of {} tips", tips.len());
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
    stop.job.cancel.cancel();
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

#[test]
fn thin_walls_are_seen_by_the_coarse_search() {
    // Half a millimetre of wall on a bowl of 50 mm, where a hundredth of the size is 0.6 mm.
    let bowl = || shapes::bowl(25.0, 0.4, 0.0, 160).unwrap();
    let found = search(&few(Weights::default()), bowl());
    assert!(found.coarse_mm < 0.4, "{}", found.coarse_mm);
    // On its bottom it is a cup as wide as its mouth.
    let cup = found.coarse.iter().map(|c| c.terms.cup_mm2).fold(0.0, f64::max);
    assert!(cup > 1500.0, "{cup}");
    let best = &found.fine[0].terms;
    assert!(best.cup_mm2 == 0.0 && best.holes == 0.0 && best.unseen < 0.05, "{best:?}");
    // Told to look too coarsely, it says what it missed.
    let blind = Orient { coarse_mm: Some(2.0), fine_mm: Some(2.0), ..few(Weights::default()) };
    let done = blind.apply(Part::new(bowl()), &ctx()).unwrap();
    assert!(done.report.findings.iter().any(|f| f.code == "unseen"), "{:?}", done.report.findings);
}

#[test]
fn a_box_is_turned_so_that_it_needs_no_holes() {
    let outer = shapes::cuboid(30.0, 24.0, 20.0).unwrap();
    let inner = shapes::cuboid(28.0, 22.0, 20.0).unwrap();
    let raised = inner.transformed(&vatwright::Pose::translation(0.0, 0.0, 1.0));
    let inner = Solid::try_from(raised).unwrap();
    let job = vatwright::Job::default();
    let open = vatwright::mesh::boolean::subtract(&outer, &[&inner], &job).unwrap().solid;
    let found = search(&few(Weights::default()), open);
    assert!(found.coarse.iter().any(|c| c.terms.holes > 0.0));
    let best = &found.fine[0].terms;
    assert!(best.holes == 0.0 && best.cup_mm2 < 10.0, "{best:?}");
}

#[test]
fn a_figure_stands_or_leans_back_and_the_report_says_why() {
    for seed in [1, 4, 8] {
        let job = vatwright::Job::default();
        let figure = shapes::figure(seed, 50.0, 8_000, &job).unwrap();
        let o = few(Weights::default());
        let done = o.apply(Part::new(figure.clone()), &ctx()).unwrap();
        let up = done.value.pose.rotation.inverse() * Vector::z();
        let why = &done.report.words["why"];
        assert!(up.z > 0.6, "{seed}: {up:?}");
        // It faces −y: leaning back turns that side away from the plate. Within ten degrees it stands.
        assert!(up.y < 10_f64.to_radians().sin(), "{seed}: {up:?} {why}");
        assert!(why.contains("the next best pose"), "{why}");
        assert!(done.report.words["upright"].contains("model's z is up"));
        // Modelled with y up, it finds the same pose.
        let lie = vatwright::Pose::rotation(-Vector::x() * std::f64::consts::FRAC_PI_2);
        let y_up = Solid::try_from(figure.transformed(&lie)).unwrap();
        let again = o.apply(Part::new(y_up), &ctx()).unwrap().value;
        let again = lie.rotation.inverse() * (again.pose.rotation.inverse() * Vector::z());
        assert!(up.dot(&again) > 0.98, "{up:?} and {again:?}");
    }
}

/// A flat that hangs over the plate, held by tips: what is expected against what support places.
#[test]
fn expected_tips_follow_what_support_places() {
    let disc = shapes::cylinder(5.0, 4.0, 60).unwrap();
    let mut part = Part::new(disc);
    let o = Orient { lift_mm: 6.0, ..Orient::default() };
    let up = Vector::y();
    let sweep = o.sweep(&part, up, 0.0, 90.0, 2, &ctx()).unwrap();
    part.pose.translation.vector.z += 6.0;
    let held = Support::default().apply(part, &ctx()).unwrap().value;
    let placed = held.supports.unwrap().tips.len() as f64;
    let expected = sweep[0].terms.marks;
    let ratio = expected / placed;
    assert!((1.0 / 1.5..1.5).contains(&ratio), "{expected} expected, {placed} placed");
}
