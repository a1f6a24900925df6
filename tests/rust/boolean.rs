//! Set operations against closed forms and against the layer engine.

use approx::assert_relative_eq;
use std::f64::consts::PI;
use vatwright::layers::{Grid, Scan, Surface};
use vatwright::mesh::boolean::{Cut, fuse, intersect, subtract, union};
use vatwright::mesh::{measure::volume_mm3, shapes};
use vatwright::{Error, Job, Mesh, Pose, Solid, Vector};

/// The material as the layer engine sees it: overlaps count once.
fn layer_volume_mm3(solid: &Solid, pitch_mm: f64) -> f64 {
    let surfaces = [Surface::body(solid)];
    let grid = Grid::around(&surfaces, pitch_mm, pitch_mm).unwrap();
    Scan::new(&surfaces, grid).layers(&Job::default()).unwrap().volume_mm3()
}

fn in_pool<T: Send>(threads: usize, work: impl FnOnce() -> T + Send) -> T {
    rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap().install(work)
}

fn moved(solid: &Solid, x: f64, y: f64, z: f64) -> Solid {
    Solid::try_from(solid.transformed(&Pose::translation(x, y, z))).unwrap()
}

fn turned(solid: &Solid, axis_angle: Vector) -> Solid {
    Solid::try_from(solid.transformed(&Pose::rotation(axis_angle))).unwrap()
}

/// Every facet of the result lies in the plane of the facet it names, facing the same way, or
/// the other way when it was cut by a tool.
fn assert_sources_hold(cut: &Cut, operands: &[&Solid], flipped: bool) {
    assert_eq!(cut.sources.len(), cut.solid.triangles().len());
    for (i, s) in cut.sources.iter().enumerate() {
        let from = operands[s.operand as usize];
        let n = from.area_normal(s.facet as usize).normalize();
        let here = cut.solid.area_normal(i);
        let sign = if flipped && s.operand > 0 { -1.0 } else { 1.0 };
        assert!(here.dot(&n) * sign >= 0.999 * here.norm() - 1e-9, "facet {i} turned");
        let origin = from.corners(s.facet as usize)[0];
        for p in cut.solid.corners(i) {
            assert!((p - origin).dot(&n).abs() < 1e-8, "facet {i} left its plane");
        }
    }
}

#[test]
fn volumes_of_boxes_are_exact_even_where_faces_coincide() {
    let job = Job::default();
    let block = shapes::cuboid(10.0, 10.0, 10.0).unwrap();
    let post = shapes::cuboid(2.0, 2.0, 10.0).unwrap();
    let (v, w) = (1000.0, 40.0);
    // Ends flush with the block, side flush with the block, and fully inside.
    let b = block.bounds();
    let p = post.bounds();
    let flush = moved(&post, b.center().x - p.center().x, b.min.y - p.min.y, b.min.z - p.min.z);
    for tool in [&flush, &moved(&flush, 1.0, 3.0, 0.0), &moved(&flush, 0.5, 8.0, 0.0)] {
        let cut = subtract(&block, &[tool], &job).unwrap();
        assert_relative_eq!(volume_mm3(&cut.solid), v - w, epsilon = 1e-9);
        assert_sources_hold(&cut, &[&block, tool], true);
        let both = union(&[&cut.solid, tool], &job).unwrap();
        assert_relative_eq!(volume_mm3(&both.solid), v, epsilon = 1e-9);
        let common = intersect(&block, tool, &job).unwrap();
        assert_relative_eq!(volume_mm3(&common.solid), w, epsilon = 1e-9);
    }
    assert_eq!(subtract(&block, &[], &job).unwrap().solid.bounds(), block.bounds());
}

#[test]
fn a_bore_through_a_sphere_leaves_a_napkin_ring() {
    // Handbook: a ring of height 6 holds π·6³/6 = 113.097 mm³ whatever its sphere.
    let job = Job::default();
    let radius: f64 = 5.0;
    let bore = (radius * radius - 9.0_f64).sqrt();
    let error = |n: usize| {
        let ball = shapes::sphere(radius, 5 * n * n / 4).unwrap();
        let drill = moved(&shapes::cylinder(bore, 20.0, n).unwrap(), 0.0, 0.0, 0.0);
        let drill = moved(&drill, 0.0, 0.0, -drill.bounds().center().z);
        let cut = subtract(&ball, &[&drill], &job).unwrap();
        assert_sources_hold(&cut, &[&ball, &drill], true);
        (volume_mm3(&cut.solid) / (PI * 36.0) - 1.0).abs()
    };
    let (coarse, fine) = (error(48), error(96));
    assert!(fine < 0.01 && fine < coarse / 3.0, "{coarse} then {fine}: not second order");
}

#[test]
fn small_cuts_into_large_bodies_take_what_they_share() {
    // V(a − b) + V(a ∩ b) = V(a), the second found by the engine on the whole of both. Tools lie
    // across the surface, through it, wholly inside and outside, and along a narrow bridge.
    let job = Job::default();
    let ring = shapes::torus(8.0, 2.0, 100).unwrap();
    let ball = shapes::sphere(6.0, 5000).unwrap();
    let tools = [
        shapes::sphere(0.7, 320).unwrap(),
        shapes::cylinder(0.5, 9.0, 24).unwrap(),
        shapes::cuboid(1.5, 0.4, 3.0).unwrap(),
    ];
    let mut seen = [0; 3];
    for i in 0..60 {
        let body = [&ring, &ball][i % 2];
        let part = |k: f64| (i as f64 * k).fract() - 0.5;
        let tool = turned(&tools[i % 3], Vector::new(part(0.618), part(0.414), part(0.732)) * 6.0);
        let size = body.bounds().size();
        let to = Vector::new(size.x * part(0.755), size.y * part(0.57), size.z * part(0.377));
        let to = to + (body.bounds().center() - tool.bounds().center());
        let tool = moved(&tool, to.x, to.y, to.z);
        let v = volume_mm3(body);
        let common = intersect(body, &tool, &job).map_or(0.0, |c| volume_mm3(&c.solid));
        let cut = subtract(body, &[&tool], &job).unwrap();
        assert_relative_eq!(volume_mm3(&cut.solid) + common, v, max_relative = 1e-12);
        assert_sources_hold(&cut, &[body, &tool], true);
        let share = common / volume_mm3(&tool);
        seen[if share < 1e-9 {
            0
        } else if share < 1.0 - 1e-9 {
            1
        } else {
            2
        }] += 1;
    }
    assert!(seen.iter().all(|&n| n >= 5), "{seen:?} outside, across, inside");
}

#[test]
fn a_small_cut_where_shells_overlap_goes_through_all_of_them() {
    let job = Job::default();
    let ball = moved(&shapes::sphere(6.0, 5000).unwrap(), 0.0, 0.0, 7.0);
    let other = moved(&ball, 3.0, 0.2, 0.1);
    let both = Solid::try_from(Mesh::concat("both", [ball.mesh(), other.mesh()])).unwrap();
    let tool = shapes::cuboid(1.0, 1.0, 1.0).unwrap();
    // Where both overlap, wholly inside; and across the skin of one within the other.
    for x in [1.5, -3.0] {
        let at = ball.bounds().center() + Vector::x() * x - tool.bounds().center();
        let tool = moved(&tool, at.x, at.y, at.z);
        let cut = subtract(&both, &[&tool], &job).unwrap();
        let gone = layer_volume_mm3(&both, 0.05) - layer_volume_mm3(&cut.solid, 0.05);
        assert_relative_eq!(gone, 1.0, max_relative = 0.02);
    }
}

#[test]
fn two_crossed_cylinders_share_a_bicylinder() {
    // Handbook: 16 r³/3.
    let job = Job::default();
    let n = 360;
    let along_z = shapes::cylinder(10.0, 40.0, n).unwrap();
    let along_z = moved(&along_z, 0.0, 0.0, -along_z.bounds().center().z);
    let along_x = turned(&along_z, Vector::y() * (PI / 2.0));
    let common = intersect(&along_z, &along_x, &job).unwrap();
    assert_relative_eq!(volume_mm3(&common.solid), 16_000.0 / 3.0, max_relative = 2e-4);
    let both = union(&[&along_z, &along_x], &job).unwrap();
    assert_relative_eq!(
        volume_mm3(&both.solid) + volume_mm3(&common.solid),
        volume_mm3(&along_z) + volume_mm3(&along_x),
        max_relative = 1e-12
    );
}

#[test]
fn facets_far_from_the_cut_keep_their_corners_to_the_last_bit() {
    let job = Job::default();
    let ball = moved(&shapes::sphere(10.0, 5120).unwrap(), 1000.1, -300.7, 17.3);
    let tool = moved(&shapes::sphere(2.0, 320).unwrap(), 1000.1, -300.7, 27.3);
    let cut = subtract(&ball, &[&tool], &job).unwrap();
    let mut kept = vec![0; ball.triangles().len()];
    for (i, s) in cut.sources.iter().enumerate().filter(|(_, s)| s.operand == 0) {
        let (was, is) = (ball.corners(s.facet as usize), cut.solid.corners(i));
        if was.iter().all(|p| p.z < 24.0) {
            assert!((0..3).any(|k| (0..3).all(|j| was[(j + k) % 3] == is[j])), "facet {i} moved");
            kept[s.facet as usize] += 1;
        }
    }
    let below = |f: usize| ball.corners(f).iter().all(|p| p.z < 24.0);
    assert!((0..kept.len()).all(|f| kept[f] == i32::from(below(f))));
}

/// Two balls of radius 5 that overlap, as one solid that overlaps itself.
fn peanut() -> Solid {
    let ball = shapes::sphere(5.0, 5120).unwrap();
    let other = moved(&ball, 6.0, 0.3, 0.1);
    Solid::try_from(Mesh::concat("peanut", [ball.mesh(), other.mesh()])).unwrap()
}

#[test]
fn a_body_that_overlaps_itself_is_cut_as_its_material_is() {
    let job = Job::default();
    let peanut = peanut();
    let clean = fuse(&peanut, &job).unwrap();
    assert_sources_hold(&clean, &[&peanut], false);
    // Two balls at a distance d share a lens of π(4R + d)(2R − d)²/12.
    let d: f64 = Vector::new(6.0, 0.3, 0.1).norm();
    let lens = PI * (20.0 + d) * (10.0 - d).powi(2) / 12.0;
    let fused = 2.0 * 4.0 / 3.0 * PI * 125.0 - lens;
    assert_relative_eq!(volume_mm3(&clean.solid), fused, max_relative = 0.01);

    // A bore through the overlap.
    let drill = shapes::cylinder(1.0, 30.0, 24).unwrap();
    let drill = moved(&drill, 3.1, 0.2, -drill.bounds().center().z);
    let raw = subtract(&peanut, &[&drill], &job).unwrap();
    assert_sources_hold(&raw, &[&peanut, &drill], true);
    let true_mm3 = volume_mm3(&subtract(&clean.solid, &[&drill], &job).unwrap().solid);
    assert!(true_mm3 < fused - 20.0);
    assert_relative_eq!(
        layer_volume_mm3(&moved(&raw.solid, 0.0, 0.0, 6.0), 0.05),
        true_mm3,
        max_relative = 1e-3
    );
}

#[test]
fn tools_that_overlap_themselves_or_nest_leave_nothing_behind() {
    let job = Job::default();
    let block = shapes::cuboid(40.0, 40.0, 40.0).unwrap();
    let block = moved(&block, 0.0, 0.0, -block.bounds().center().z);
    let c = block.bounds().center();
    let block = moved(&block, -c.x, -c.y, 0.0);
    let ball = shapes::sphere(5.0, 5120).unwrap();
    let nested = Mesh::concat("nested", [ball.mesh(), shapes::sphere(3.0, 1280).unwrap().mesh()]);
    for tool in [peanut(), Solid::try_from(nested).unwrap()] {
        let once = volume_mm3(&fuse(&tool, &job).unwrap().solid);
        let cut = subtract(&block, &[&tool], &job).unwrap();
        assert_relative_eq!(volume_mm3(&cut.solid), 64_000.0 - once, max_relative = 1e-9);
        assert_sources_hold(&cut, &[&block, &tool], true);
        // The same tool twice, and two tools that overlap, count once.
        let cut = subtract(&block, &[&tool, &tool], &job).unwrap();
        assert_relative_eq!(volume_mm3(&cut.solid), 64_000.0 - once, max_relative = 1e-9);
    }
}

#[test]
fn refusals_say_why() {
    let job = Job::default();
    let small = shapes::sphere(2.0, 500).unwrap().mesh().clone().renamed("bead");
    let small = Solid::try_from(small).unwrap();
    let big = shapes::sphere(5.0, 500).unwrap();
    let nothing = subtract(&small, &[&big], &job).unwrap_err();
    assert!(matches!(nothing, Error::NotSolid { .. }), "{nothing}");
    assert!(nothing.to_string().contains("bead"), "{nothing}");
    assert!(matches!(union(&[], &job), Err(Error::NotSolid { .. })));
    let apart = intersect(&small, &moved(&big, 20.0, 0.0, 0.0), &job).unwrap_err();
    assert!(matches!(apart, Error::NotSolid { .. }));
    job.cancel.cancel();
    assert!(matches!(subtract(&big, &[&small], &job), Err(Error::Cancelled)));
}

#[test]
fn a_wish_to_stop_is_heard_while_the_engine_works() {
    let job = Job::default();
    let token = job.cancel.clone();
    let ball = shapes::sphere(5.0, 40_000).unwrap();
    let other = moved(&ball, 1.0, 0.2, 0.1);
    let both = Solid::try_from(Mesh::concat("both", [ball.mesh(), other.mesh()])).unwrap();
    let asked = std::thread::spawn(move || {
        std::thread::sleep(std::time::Duration::from_millis(100));
        token.cancel();
    });
    assert!(matches!(fuse(&both, &job), Err(Error::Cancelled)));
    asked.join().unwrap();
}

#[test]
fn the_number_of_threads_changes_no_bit() {
    let run = |threads: usize| {
        in_pool(threads, || {
            let peanut = peanut();
            let drill = shapes::cylinder(1.0, 30.0, 64).unwrap();
            let drill = moved(&drill, 3.1, 0.2, -15.0);
            let cut = subtract(&peanut, &[&drill, &moved(&drill, 4.0, 0.0, 0.0)], &Job::default())
                .unwrap();
            (Mesh::from(cut.solid), cut.sources)
        })
    };
    let one = run(1);
    for threads in [2, 7] {
        assert_eq!(run(threads), one, "{threads} threads");
    }
}
