//! Hollow against closed forms of inset solids, and its wall against an independent distance
//! (parry's closest point, on a bounding volume hierarchy of its own).

use crate::common::assert_manifold;
use parry3d_f64::math::Vector as Far;
use parry3d_f64::query::PointQuery;
use parry3d_f64::shape::TriMesh;
use std::f64::consts::PI;
use vatwright::layers::{Grid, Scan, Survey, overhangs};
use vatwright::mesh::{measure::volume_mm3, shapes};
use vatwright::passes::hollow::Lattice;
use vatwright::passes::{Hollow, Pass};
use vatwright::{Context, Done, Error, Job, Mesh, Part, Pose, Result, Role, Setup, Solid, Vector};

fn ctx() -> Context {
    Context::new(Setup::default())
}

fn hollow(options: &Hollow, body: Solid) -> Result<Done<Part>> {
    options.apply(Part::new(body), &ctx())
}

fn wall(wall_mm: f64) -> Hollow {
    // Closed forms are of the wall alone, without a roof.
    let (least_cavity_mm3, least_saved, roof) = (1.0, 0.0, false);
    Hollow { wall_mm, least_cavity_mm3, least_saved, roof, ..Hollow::default() }
}

fn removed(part: &Part) -> f64 {
    part.cavities.iter().map(|c| -volume_mm3(c)).sum()
}

/// Least wall at vertices and middles of a part's cavities, by parry.
fn least_wall(part: &Part) -> f64 {
    let far = |v: &vatwright::Point| Far::new(v.x, v.y, v.z);
    let vertices = part.body.vertices().iter().map(far).collect();
    let body = TriMesh::new(vertices, part.body.triangles().to_vec()).unwrap();
    let mut least = f64::INFINITY;
    for cavity in &part.cavities {
        let mut ask = |p: Far| least = least.min(body.distance_to_local_point(p, false).abs());
        cavity.vertices().iter().for_each(|v| ask(far(v)));
        for i in 0..cavity.triangles().len() {
            let [a, b, c] = cavity.corners(i);
            for (u, v) in [(0.5, 0.5), (0.5, 0.0), (0.0, 0.5), (1.0 / 3.0, 1.0 / 3.0)] {
                ask(far(&(a + (b - a) * u + (c - a) * v)));
            }
        }
    }
    least
}

fn turned(body: Solid) -> Solid {
    let pose = Pose::new(Vector::new(3.0, -7.0, 11.0), Vector::new(0.4, 0.7, -0.3));
    Solid::try_from(body.transformed(&pose)).unwrap()
}

/// Closed forms of the inset solids (worked from the formulas of solid geometry).
#[test]
fn cavities_match_closed_forms() {
    // cone of radius 12, height 20: inset by t it is similar, shrunk by t over its inradius
    let (r, h) = (12.0_f64, 20.0_f64);
    let inradius = r * h / (r + r.hypot(h));
    let cone = PI * r * r * h / 3.0 * (1.0 - 1.5 / inradius).powi(3);
    let cases: [(&str, Solid, f64, f64); 8] = [
        ("sphere", shapes::sphere(10.0, 20_000).unwrap(), 1.5, 4.0 / 3.0 * PI * 8.5_f64.powi(3)),
        ("box", shapes::cuboid(20.0, 10.0, 5.0).unwrap(), 1.0, 432.0),
        ("turned box", turned(shapes::cuboid(20.0, 10.0, 5.0).unwrap()), 1.0, 432.0),
        ("cylinder", shapes::cylinder(8.0, 15.0, 360).unwrap(), 1.5, PI * 6.5 * 6.5 * 12.0),
        ("cone", shapes::cone(r, h, 360).unwrap(), 1.5, cone),
        ("torus", shapes::torus(12.0, 5.0, 240).unwrap(), 1.5, 2.0 * PI * PI * 12.0 * 3.5 * 3.5),
        (
            "capsule",
            shapes::capsule(5.0, 20.0, 240).unwrap(),
            1.5,
            PI * 3.5 * 3.5 * (20.0 + 4.0 / 3.0 * 3.5),
        ),
        ("tetrahedron", shapes::tetrahedron(10.0).unwrap(), 1.0, 15.6425),
    ];
    for (name, body, t, expected) in cases {
        let done = hollow(&wall(t), body.clone()).unwrap();
        let part = &done.value;
        assert_eq!(part.cavities.len(), 1, "{name}");
        assert_manifold(&part.cavities[0]);
        let error = removed(part) / expected - 1.0;
        assert!(error.abs() < 5e-3, "{name}: {error}");
        let least = least_wall(part);
        assert!(least >= t - Hollow::SAFE_MM, "{name}: wall {least}");
        // the report says the same, and the body is the very one that came
        let said = done.report.numbers["least_wall_mm"];
        assert!((said - least).abs() < Hollow::SAFE_MM, "{name}: {said} said, {least} found");
        assert!(done.report.numbers["mean_wall_mm"] < t * 1.005, "{name}");
        assert!((done.report.numbers["resin_saved_ml"] * 1000.0 - removed(part)).abs() < 1e-9);
        assert_eq!(part.body, body);
        assert!(done.report.findings.is_empty(), "{name}: {:?}", done.report.findings);
    }
}

#[test]
fn a_sphere_converges_with_second_order() {
    let body = shapes::sphere(10.0, 100_000).unwrap();
    // the cavity of the polyhedron itself: the planes moved in, similar about the centre
    let inner = body.corners(0)[0].coords.dot(&body.area_normal(0).normalize());
    let exact = volume_mm3(&body) * ((inner - 2.0) / inner).powi(3);
    let error = |cell: f64| {
        let options = Hollow { cell_mm: Some(cell), tolerance_mm: 0.0, ..wall(2.0) };
        1.0 - removed(&hollow(&options, body.clone()).unwrap().value) / exact
    };
    let (coarse, fine) = (error(0.8), error(0.4));
    let order = (coarse / fine).log2();
    assert!((1.6..2.4).contains(&order), "order {order}: {coarse} then {fine}");
    assert!(fine > 0.0 && fine < 2e-3, "{fine}");
}

/// Inside the material of overlapping or touching shells no wall is left standing.
#[test]
fn shells_that_overlap_are_one_body() {
    let block = shapes::cuboid(12.0, 12.0, 12.0).unwrap();
    for shift in [7.3, 12.0, 11.9] {
        let other = block.transformed(&Pose::translation(shift, 0.0, 0.0));
        let both = Solid::try_from(Mesh::concat("pair", [block.mesh(), &other])).unwrap();
        let part = hollow(&wall(1.0), both).unwrap().value;
        assert_eq!(part.cavities.len(), 1, "shift {shift}");
        let expected = (12.0 + shift - 2.0) * 100.0;
        let error = removed(&part) / expected - 1.0;
        assert!(error.abs() < 5e-3, "shift {shift}: {error}");
    }
    // a smaller block standing on a larger one, faces touching
    let foot = shapes::cuboid(20.0, 20.0, 6.0).unwrap();
    let top = shapes::cuboid(8.0, 8.0, 10.0).unwrap();
    let top = top.transformed(&Pose::translation(5.0, 6.0, 6.0));
    let both = Solid::try_from(Mesh::concat("stack", [foot.mesh(), &top])).unwrap();
    let part = hollow(&wall(1.0), both).unwrap().value;
    assert_eq!(part.cavities.len(), 1);
    // 18·18·4 and 6·6·10, joined through the top's foot; the reentrant edges there stay rounded
    // at radius 1, which adds to the solid: 4·6 mm of (1 − π/4) mm²
    let expected = 18.0 * 18.0 * 4.0 + 6.0 * 6.0 * 10.0 + 24.0 * (1.0 - PI / 4.0);
    let error = removed(&part) / expected - 1.0;
    assert!(error.abs() < 5e-3, "stack: {error}");
    // two crossing bars: only the union's outside counts
    let bar = shapes::cuboid(30.0, 8.0, 8.0).unwrap();
    let spin = Pose::new(Vector::new(19.0, -11.0, 0.0), Vector::z() * (PI / 2.0));
    let cross = bar.transformed(&spin);
    let both = Solid::try_from(Mesh::concat("cross", [bar.mesh(), &cross])).unwrap();
    let part = hollow(&wall(1.0), both).unwrap().value;
    let expected = 6.0 * 6.0 * (28.0 + 28.0 - 6.0) + 4.0 * 6.0 * (1.0 - PI / 4.0);
    let error = removed(&part) / expected - 1.0;
    assert_eq!(part.cavities.len(), 1);
    assert!(error.abs() < 5e-3, "cross: {error}");
}

#[test]
fn figures_keep_their_wall_and_their_surface() {
    // In the last an arm is barely deeper than the wall, in less than a cell.
    for (seed, height, triangles, wall_mm) in
        [(0, 45.0, 12_000, 1.6), (1, 45.0, 12_000, 1.6), (3, 60.0, 20_000, 2.0)]
    {
        let body = shapes::figure(seed, height, triangles, &Job::default()).unwrap();
        let done = hollow(&Hollow { wall_mm, ..Hollow::default() }, body.clone()).unwrap();
        let part = done.value;
        assert!(!part.cavities.is_empty());
        for c in &part.cavities {
            assert_manifold(c);
            assert!(volume_mm3(c) < -50.0);
        }
        let least = least_wall(&part);
        assert!(least >= wall_mm - Hollow::SAFE_MM, "seed {seed}: {least}");
        assert_eq!(part.body, body);
    }
}

#[test]
fn every_thread_count_gives_the_same_bytes() {
    let body = shapes::figure_of_shells(2, 40.0, 12_000, &Job::default()).unwrap();
    let options = Hollow { wall_mm: 1.2, lattice: Some(Lattice::default()), ..Hollow::default() };
    let run = |threads| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| hollow(&options, body.clone()).unwrap())
    };
    let one = run(1);
    assert!(!one.value.cavities.is_empty());
    for threads in [2, 7] {
        let other = run(threads);
        assert_eq!(one.value, other.value);
        assert_eq!(one.report, other.report);
    }
}

#[test]
fn a_lattice_stands_in_the_cavity_and_lets_it_drain() {
    let lattice = Lattice { spacing_mm: 8.0, strut_mm: 1.0 };
    let options = Hollow { lattice: Some(lattice), ..wall(2.0) };
    let done = hollow(&options, shapes::cuboid(28.0, 28.0, 28.0).unwrap()).unwrap();
    let part = done.value;
    let mesh = part.lattice.as_ref().expect("a lattice");
    assert_manifold(mesh);
    // Bars along four diagonals: π/4·d²·4·√3·L a cube, less what they share where they meet
    // (bounded by a ball of 2 d at each of two nodes).
    let cubes = (24.0_f64 / 8.0).powi(3);
    let bars = cubes * PI / 4.0 * 4.0 * 3.0_f64.sqrt() * 8.0;
    let shared = cubes * 2.0 * PI / 6.0 * 8.0;
    let inside = done.report.numbers["lattice_ml"] * 1000.0;
    assert!(inside < bars * 1.01 && inside > bars - shared, "{inside} of {bars} − {shared}");
    let saved = done.report.numbers["resin_saved_ml"] * 1000.0;
    assert!((saved - (24.0_f64.powi(3) - inside)).abs() < 70.0);

    // all the void is one: nothing is cut off by struts, and every strut hangs on the wall
    let surfaces = part.surfaces(&[Role::Body, Role::Lattice]);
    let grid = Grid::around(&surfaces, 0.2, 0.2).unwrap();
    let layers = Scan::new(&surfaces, grid).layers(&ctx().job).unwrap();
    let survey = Survey::of(&layers, &ctx().job).unwrap();
    assert_eq!(survey.pockets().count(), 1);
    let solid = 28.0_f64.powi(3) - saved;
    assert!((layers.volume_mm3() / solid - 1.0).abs() < 5e-3);
}

#[test]
fn what_is_too_thin_stays_solid() {
    let done = hollow(&wall(2.0), shapes::cuboid(30.0, 30.0, 3.9).unwrap()).unwrap();
    assert!(done.value.cavities.is_empty());
    assert_eq!(done.report.findings[0].code, "stays_solid");
    assert_eq!(done.report.numbers["resin_saved_ml"], 0.0);
    // thick enough, but not worth it
    let options = Hollow { least_cavity_mm3: 1000.0, ..wall(2.0) };
    let done = hollow(&options, shapes::cuboid(10.0, 10.0, 10.0).unwrap()).unwrap();
    assert!(done.value.cavities.is_empty());
    assert_eq!(done.report.numbers["dropped_cavities"], 1.0);
    // a dumb-bell keeps two cavities and a solid handle
    let profile = vec![
        [0.0, -10.0],
        [6.0, -10.0],
        [6.0, -4.0],
        [1.0, -4.0],
        [1.0, 4.0],
        [6.0, 4.0],
        [6.0, 10.0],
        [0.0, 10.0],
    ];
    let bell = shapes::lathe("dumb-bell", &[profile], 120).unwrap();
    let part = hollow(&wall(1.5), bell).unwrap().value;
    assert_eq!(part.cavities.len(), 2);
}

#[test]
fn voids_of_the_model_itself_are_minded() {
    // wall of 2 all around the void already: nothing left to take
    let done = hollow(&wall(2.0), shapes::hollow_sphere(10.0, 6.5, 8_000).unwrap()).unwrap();
    assert_eq!(done.report.findings[0].code, "stays_solid");
    // a small void deep inside would end in a loose ball
    let ball = shapes::hollow_sphere(15.0, 2.0, 8_000).unwrap();
    let done = hollow(&wall(2.0), ball).unwrap();
    let said = &done.report.findings[0];
    assert_eq!(said.code, "stays_solid");
    assert!(said.message.contains("void") && said.message.contains("loose"), "{said:?}");
    assert!(done.value.cavities.is_empty());
}

#[test]
fn nonsense_is_refused() {
    let body = shapes::cuboid(10.0, 10.0, 10.0).unwrap();
    let bad = [
        Hollow { wall_mm: f64::NAN, ..Hollow::default() },
        Hollow { wall_mm: -1.0, ..Hollow::default() },
        Hollow { cell_mm: Some(1.5), ..Hollow::default() },
        Hollow { cell_mm: Some(0.0), ..Hollow::default() },
        Hollow { tolerance_mm: f64::INFINITY, ..Hollow::default() },
        Hollow { least_cavity_mm3: -1.0, ..Hollow::default() },
        Hollow { lattice: Some(Lattice { spacing_mm: 2.0, strut_mm: 1.0 }), ..Hollow::default() },
    ];
    for options in &bad {
        let refused = hollow(options, body.clone());
        assert!(matches!(refused, Err(Error::Value { .. })), "{options:?}: {refused:?}");
    }
    let once = hollow(&wall(2.0), body.clone()).unwrap().value;
    assert!(matches!(wall(2.0).apply(once, &ctx()), Err(Error::Pass { .. })));
    let stopped = ctx();
    stopped.job.cancel.cancel();
    assert!(matches!(wall(2.0).apply(Part::new(body), &stopped), Err(Error::Cancelled)));
}

#[test]
fn a_small_budget_coarsens_and_says_so() {
    let body = shapes::sphere(25.0, 20_000).unwrap();
    let options = Hollow { max_cells: 200_000, ..wall(2.0) };
    let done = hollow(&options, body.clone()).unwrap();
    assert_eq!(done.report.findings[0].code, "coarse_cell");
    assert!(done.report.numbers["cell_mm"] > 0.25);
    assert!(least_wall(&done.value) >= 2.0 - Hollow::SAFE_MM);
    let error = removed(&done.value) / (4.0 / 3.0 * PI * 23.0_f64.powi(3)) - 1.0;
    assert!(error.abs() < 5e-3, "{error}");
    let far_too_small = Hollow { max_cells: 100_000, cell_mm: Some(0.1), ..wall(0.5) };
    let refused = hollow(&far_too_small, body);
    assert!(matches!(refused, Err(Error::Limit { .. })), "{refused:?}");
}

#[test]
fn options_survive_a_file() {
    let options = Hollow { lattice: Some(Lattice::default()), ..wall(1.8) };
    let text = toml::to_string(&options).unwrap();
    assert_eq!(toml::from_str::<Hollow>(&text).unwrap(), options);
    assert!(toml::from_str::<Hollow>("wall = 2").is_err());
}

/// Largest area of one layer in a cavity that lies farther from the layer below than a slope of
/// 38° reaches, mm².
fn widest_ceiling(part: &Part) -> f64 {
    let (layer_mm, pitch_mm) = (0.2, 0.1);
    let surfaces = part.surfaces(&[Role::Body]);
    let grid = Grid::around(&surfaces, layer_mm, pitch_mm).unwrap();
    let layers = Scan::new(&surfaces, grid).layers(&Job::default()).unwrap();
    let reach = layer_mm / 38f64.to_radians().tan();
    let over = overhangs(&layers, reach, &Job::default()).unwrap();
    over.iter().flat_map(|o| &o.regions).map(|r| r.area_mm2).fold(0.0, f64::max)
}

#[test]
fn a_cavity_ends_in_a_roof_that_carries_itself() {
    // A box, and a table on one leg, whose cavity widens all at once on the film's side.
    let t = vec![
        [-5.0, 0.0],
        [5.0, 0.0],
        [5.0, 20.0],
        [15.0, 20.0],
        [15.0, 40.0],
        [-15.0, 40.0],
        [-15.0, 20.0],
        [-5.0, 20.0],
    ];
    let upright = Pose::rotation(Vector::x() * std::f64::consts::FRAC_PI_2);
    let table = shapes::extrude("table", &[t], 20.0).unwrap().transformed(&upright);
    let bodies = [shapes::cuboid(30.0, 30.0, 30.0).unwrap(), Solid::try_from(table).unwrap()];
    for body in bodies {
        let flat = hollow(&Hollow { roof: false, ..Hollow::default() }, body.clone()).unwrap();
        let done = hollow(&Hollow::default(), body.clone()).unwrap();
        let (before, after) = (removed(&flat.value), removed(&done.value));
        let roof_mm3 = done.report.numbers["roof_ml"] * 1e3;
        assert!(after > 0.4 * before && after < before, "{after} of {before}");
        approx::assert_relative_eq!(after + roof_mm3, before, max_relative = 0.03);
        assert!(least_wall(&done.value) > 2.0 - Hollow::SAFE_MM);
        done.value.cavities.iter().for_each(|c| assert_manifold(c));
        // Outside, the table hangs over by itself; what is added in the cavity is hardly more.
        let own = widest_ceiling(&Part::new(body));
        let (with, without) = (widest_ceiling(&done.value), widest_ceiling(&flat.value));
        assert!(without > own.max(250.0), "{without}");
        assert!(with <= own + 1.0, "{with} beyond {own}");
    }
}

/// A box of 26 × 26 × 26 mm under a hipped roof of 45° keeps its lower half and, above, a pyramid:
/// 26² · 13 · (1 + 1/3).
#[test]
fn a_roof_over_a_square_is_about_a_pyramid() {
    let done = hollow(&Hollow::default(), shapes::cuboid(30.0, 30.0, 30.0).unwrap()).unwrap();
    let pyramid = 26.0 * 26.0 * 13.0 * (1.0 + 1.0 / 3.0);
    let kept = removed(&done.value);
    // Round at its corners, which lie farther from the middle than the sides.
    assert!(kept < 1.02 * pyramid && kept > 0.85 * pyramid, "{kept} of {pyramid}");
}

#[test]
fn what_saves_little_stays_solid() {
    // Teeth and hub of a pinion are each too small to be worth two holes.
    let pinion = shapes::gear(1.5, 17, 6.0, 12.0, 4).unwrap();
    let plate = shapes::cuboid(40.0, 40.0, 4.8).unwrap();
    for (body, wall_mm) in [(pinion, 2.0), (plate, 2.2)] {
        let done = hollow(&Hollow { wall_mm, ..Hollow::default() }, body).unwrap();
        assert!(done.value.cavities.is_empty());
        assert_eq!(done.report.findings[0].code, "stays_solid");
        assert_eq!(done.report.numbers["resin_saved_ml"], 0.0);
    }
}
