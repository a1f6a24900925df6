//! Known answers of the check: parts with exactly one fault each, found at its layer, and the
//! same part mended, which passes.

use crate::common::mean_stress;
use nalgebra::{Translation3, UnitQuaternion};
use vatwright::check::{Checked, Reach, inspect};
use vatwright::mesh::shapes::{cuboid, extrude, hollow_sphere, lathe, plate, sphere};
use vatwright::{Context, Finding, Mesh, Part, Pose, Setup, Severity, Solid, Vector};

fn check(part: &Part) -> Checked {
    inspect(part, &Context::new(mean_stress())).unwrap()
}

/// What is graver than a note, but for the growth of what stands on the plate itself, which no
/// shape avoids.
fn bad(part: &Part) -> Vec<Finding> {
    let mut findings = check(part).findings;
    findings.retain(|f| f.severity > Severity::Note && f.code != "first_layer_flare");
    findings
}

/// The one fault of a part; nothing else is worse than a note.
pub(crate) fn only_fault(part: &Part) -> Finding {
    let bad = bad(part);
    assert_eq!(bad.len(), 1, "{bad:#?}");
    assert_eq!(bad[0].severity, Severity::Fault, "{bad:#?}");
    assert!(!bad[0].remedy.is_empty());
    bad[0].clone()
}

pub(crate) fn assert_clean(part: &Part) {
    let bad = bad(part);
    assert!(bad.is_empty(), "{bad:#?}");
}

/// A body of several closed pieces, each moved by its own offset.
fn body(name: &str, pieces: &[(Solid, [f64; 3])]) -> Solid {
    let meshes: Vec<Mesh> =
        pieces.iter().map(|(s, [x, y, z])| s.transformed(&Pose::translation(*x, *y, *z))).collect();
    Solid::try_from(Mesh::concat(name, &meshes)).unwrap()
}

/// Turned by 90° about x, so that y becomes z, then moved.
fn on_edge(solid: &Solid, [x, y, z]: [f64; 3]) -> Solid {
    let turn = UnitQuaternion::from_axis_angle(&Vector::x_axis(), std::f64::consts::FRAC_PI_2);
    let pose = Pose::from_parts(Translation3::new(x, y, z), turn);
    Solid::try_from(solid.transformed(&pose)).unwrap()
}

fn near(layer: u32, z_mm: f64) -> bool {
    (f64::from(layer) * 0.05 - z_mm).abs() <= 0.101
}

/// A square tub, 20 mm wide and 10 mm high with a hollow of 14 mm; `vent` leaves a gap of 2 × 2 mm
/// in the front wall above the bottom.
fn tub(vent: bool) -> Solid {
    let mut pieces = vec![
        (cuboid(20.0, 20.0, 2.0).unwrap(), [0.0; 3]),
        (cuboid(3.0, 20.0, 10.0).unwrap(), [0.0; 3]),
        (cuboid(3.0, 20.0, 10.0).unwrap(), [17.0, 0.0, 0.0]),
        (cuboid(20.0, 3.0, 10.0).unwrap(), [0.0, 17.0, 0.0]),
    ];
    if vent {
        pieces.push((cuboid(9.0, 3.0, 10.0).unwrap(), [0.0; 3]));
        pieces.push((cuboid(9.0, 3.0, 10.0).unwrap(), [11.0, 0.0, 0.0]));
        pieces.push((cuboid(20.0, 3.0, 6.0).unwrap(), [0.0, 0.0, 4.0]));
    } else {
        pieces.push((cuboid(20.0, 3.0, 10.0).unwrap(), [0.0; 3]));
    }
    body("tub", &pieces)
}

#[test]
fn a_closed_bowl_is_one_cup_and_a_vent_mends_it() {
    // Mouth away from the plate: film and wall close the hollow in every layer.
    let fault = only_fault(&Part::new(tub(false)));
    assert_eq!((fault.code.as_str(), fault.layers), ("cup", Some((40, 199))));
    // Sealed full of resin it pulls with one atmosphere over 14 × 14 mm.
    assert!((fault.value.unwrap() - 0.101_325 * 196.0).abs() < 1e-2, "{fault:#?}");
    assert_clean(&Part::new(tub(true)));
}

#[test]
fn a_sealed_void_is_one_pocket() {
    let hollow = hollow_sphere(8.0, 5.0, 20_000).unwrap();
    let foot = cuboid(14.0, 14.0, 6.0).unwrap();
    let on_foot = |ball: Solid| {
        Part::new(body("ball", &[(ball, [0.0, 0.0, 8.0]), (foot.clone(), [-7.0, -7.0, 0.0])]))
    };
    // The foot fills the void's lower part but not the rest.
    let fault = only_fault(&on_foot(hollow));
    assert_eq!(fault.code, "pocket");
    let (first, last) = fault.layers.unwrap();
    assert!(near(first, 6.0) && near(last, 13.0), "{fault:#?}");
    // The closed form of a spherical segment: the void above z = 6 of a ball about z = 8.
    let h = 5.0 + 2.0;
    let volume = std::f64::consts::PI * h * h * (3.0 * 5.0 - h) / 3.0;
    assert!((fault.value.unwrap() / volume - 1.0).abs() < 0.01, "{fault:#?}");
    assert_clean(&on_foot(sphere(8.0, 20_000).unwrap()));
}

/// A flask of 20 mm on three pins with its mouth to the plate, so that it hangs upright.
fn flask(mouth_mm: f64, turned: bool) -> Part {
    let r = mouth_mm / 2.0;
    let ring = vec![[r, 5.0], [10.0, 5.0], [10.0, 25.0], [0.0, 25.0], [0.0, 23.0], [8.0, 23.0]];
    let ring = ring.into_iter().chain([[8.0, 7.0], [r, 7.0]]).collect();
    let pin = cuboid(1.0, 1.0, 5.5).unwrap();
    let mut pieces = vec![(lathe("flask", &[ring], 64).unwrap(), [0.0; 3])];
    pieces
        .extend([[8.0, -0.5], [-9.0, -0.5], [-0.5, 8.0]].map(|[x, y]| (pin.clone(), [x, y, 0.0])));
    let turn = if turned { std::f64::consts::FRAC_PI_2 } else { 0.0 };
    let turn = UnitQuaternion::from_axis_angle(&Vector::x_axis(), turn);
    Part::new(body("flask", &pieces)).turned(turn, 0.0).unwrap()
}

#[test]
fn resin_stays_in_what_hangs_upright() {
    let puddle =
        |part: &Part| check(part).findings.into_iter().find(|f| f.code == "retained_resin");
    for (mouth_mm, severity) in [(4.0, Severity::Warning), (14.0, Severity::Note)] {
        let found = puddle(&flask(mouth_mm, false)).expect("a full flask");
        assert_eq!(found.severity, severity, "{found:#?}");
        // Up to the brim: the flask's inside and the mouth, cylinders.
        let pi_4 = std::f64::consts::FRAC_PI_4;
        let ml = (pi_4 * 16.0 * 16.0 * 16.0 + pi_4 * mouth_mm * mouth_mm * 2.0) * 1e-3;
        assert!((found.value.unwrap() / ml - 1.0).abs() < 5e-3, "{ml}: {found:#?}");
        assert_eq!(found.layers, Some((100, 459)));
    }
    // On its side with a wide mouth only a little stays below the lip; the film pulls elsewhere.
    let lying = puddle(&flask(14.0, true)).map_or(0.0, |f| f.value.unwrap());
    assert!(lying < 0.3, "{lying} ml");
}

#[test]
fn a_floating_piece_is_one_island_and_a_stem_mends_it() {
    // A gallows whose stem hangs free from z = 3 until the slope meets it at z = 6.
    let gallows = |z: f64| {
        let profile = vec![
            [-12.0, 0.0],
            [4.0, 0.0],
            [7.0, 6.0],
            [7.0, z],
            [8.0, z],
            [8.0, 12.0],
            [-12.0, 12.0],
        ];
        upright(&profile, 4.0)
    };
    let fault = only_fault(&Part::new(gallows(3.0)));
    assert_eq!(fault.code, "island");
    let (first, last) = fault.layers.unwrap();
    assert!(near(first, 3.0) && near(last, 6.0), "{fault:#?}");
    assert!((fault.value.unwrap() - 4.0).abs() < 0.01, "{fault:#?}");
    assert_clean(&Part::new(gallows(0.0)));
}

/// Extrudes an outline given in (x, z) along y.
fn upright(profile: &[[f64; 2]], depth_mm: f64) -> Solid {
    let flat = extrude("outline", &[profile.to_vec()], depth_mm).unwrap();
    on_edge(&flat, [0.0, depth_mm, 0.0])
}

#[test]
fn a_shelf_is_one_overhang_and_a_slope_mends_it() {
    let shelf = |rise: f64| {
        upright(
            &[
                [-20.0, 0.0],
                [6.0, 0.0],
                [6.0, 8.0 - rise],
                [12.0, 8.0],
                [12.0, 11.0],
                [-20.0, 11.0],
            ],
            5.0,
        )
    };
    let fault = only_fault(&Part::new(shelf(0.0)));
    assert_eq!(fault.code, "overhang");
    assert!(near(fault.layers.unwrap().0, 8.0), "{fault:#?}");
    assert!((fault.value.unwrap() - 6.0).abs() < 0.1, "{fault:#?}");
    assert_clean(&Part::new(shelf(6.0)));
}

#[test]
fn a_slab_parallel_to_the_plate_sags_and_a_tilted_one_does_not() {
    // A table: its top begins parallel to the plate between four legs on a foot.
    let leg = cuboid(3.0, 3.0, 10.5).unwrap();
    let top = plate(16.0, 16.0, 3.0).unwrap();
    let legs = [[-8.0, -8.0], [5.0, -8.0], [-8.0, 5.0], [5.0, 5.0]];
    let foot = plate(16.0, 16.0, 1.0).unwrap();
    let mut pieces = vec![(top.clone(), [0.0, 0.0, 10.0]), (foot, [0.0; 3])];
    pieces.extend(legs.iter().map(|&[x, y]| (leg.clone(), [x, y, 0.0])));
    let fault = only_fault(&Part::new(body("table", &pieces)));
    assert_eq!(fault.code, "sag");
    assert!(near(fault.layers.unwrap().0, 10.0), "{fault:#?}");
    // The centre of the top lies 5·√2 mm from the legs' inner corners.
    assert!((fault.value.unwrap() / (2.0 * 5.0 * 2f64.sqrt()) - 1.0).abs() < 0.05, "{fault:#?}");
    // The same slab standing on its edge.
    let standing = on_edge(&top, [0.0, 0.0, 12.0]);
    assert_clean(&Part::new(standing));
}

#[test]
fn a_wall_thinner_than_a_pixel_is_found_whatever_its_direction() {
    let base = cuboid(10.0, 10.0, 3.0).unwrap();
    let fin = |wall: f64, along_x: bool| {
        let (x, y) = if along_x { (8.0, wall) } else { (wall, 8.0) };
        let fin = cuboid(x, y, 8.0).unwrap();
        // Off the pixels' centres, so that nothing of it is drawn.
        body("fin", &[(base.clone(), [0.0; 3]), (fin, [1.03, 1.03, 2.0])])
    };
    for along_x in [true, false] {
        let fault = only_fault(&Part::new(fin(0.03, along_x)));
        assert_eq!(fault.code, "thin");
        let (first, last) = fault.layers.unwrap();
        assert!(near(first, 3.0) && near(last, 10.0), "{fault:#?}");
        assert!((fault.value.unwrap() - 0.03).abs() < 1e-3, "{fault:#?}");
        assert_clean(&Part::new(fin(0.4, along_x)));
    }
}

#[test]
fn a_sheet_thinner_than_a_layer_is_found() {
    // Carried by walls 0.8 mm apart, so that only its thickness is wrong.
    let wall = cuboid(0.6, 6.0, 4.0).unwrap();
    let mut pieces = [0.0, 1.4].map(|x| (wall.clone(), [x, 0.0, 0.0])).to_vec();
    pieces.push((cuboid(2.0, 6.0, 0.03).unwrap(), [0.0, 0.0, 3.985]));
    let fault = only_fault(&Part::new(body("sheet", &pieces)));
    assert_eq!(fault.code, "thin");
    assert!((fault.value.unwrap() - 0.03).abs() < 1e-3, "{fault:#?}");
    pieces.pop();
    pieces.push((cuboid(2.0, 6.0, 0.6).unwrap(), [0.0, 0.0, 3.9]));
    assert_clean(&Part::new(body("sheet", &pieces)));
}

#[test]
fn a_slot_that_light_closes_is_a_warning() {
    let block = cuboid(6.0, 8.0, 6.0).unwrap();
    let with_slot = |slot: f64| {
        let base = cuboid(12.0 + slot, 8.0, 1.0).unwrap();
        body(
            "slot",
            &[(block.clone(), [0.0; 3]), (block.clone(), [6.0 + slot, 0.0, 0.0]), (base, [0.0; 3])],
        )
    };
    let findings = check(&Part::new(with_slot(0.03))).findings;
    let gap = findings.iter().find(|f| f.code == "gap").expect("the slot");
    assert_eq!(gap.severity, Severity::Warning);
    assert!((gap.value.unwrap() - 0.03).abs() < 1e-3, "{gap:#?}");
    assert!(near(gap.layers.unwrap().0, 1.0), "{gap:#?}");
    assert_clean(&Part::new(with_slot(0.5)));
    // Both sides shine into a slot: at twice the critical dose no edge grows, and yet the middle
    // of 33.7 µm gets a quarter of the dose from either side. Quantile of the normal distribution,
    // any statistical table: P(z > 0.6745) = ¼. A slot of a pixel and that much is closed.
    let mut setup = Setup::default();
    setup.exposure.edge_tail_share = 0.0;
    let ctx = Context::new(setup);
    let closes = |slot: f64| {
        let found = inspect(&Part::new(with_slot(slot)), &ctx).unwrap().findings;
        found.iter().any(|f| f.code == "gap")
    };
    assert!(closes(0.083) && !closes(0.085));
}

#[test]
fn a_part_larger_than_the_machine_is_only_told_so() {
    let fault = only_fault(&Part::new(cuboid(140.0, 20.0, 5.0).unwrap()));
    assert_eq!((fault.code.as_str(), fault.value, fault.limit), ("size", Some(140.0), Some(130.0)));
    let fault = only_fault(&Part::new(cuboid(10.0, 10.0, 170.0).unwrap()));
    assert_eq!((fault.code.as_str(), fault.value, fault.limit), ("size", Some(170.0), Some(160.0)));
    assert_clean(&Part::new(cuboid(12.0, 12.0, 20.0).unwrap()));
    // Turned by 90° about z it fits.
    let findings = check(&Part::new(cuboid(20.0, 100.0, 5.0).unwrap())).findings;
    let size = findings.iter().find(|f| f.code == "size").unwrap();
    assert_eq!(size.severity, Severity::Note);
}

#[test]
fn a_part_that_takes_more_than_the_vat_holds_runs_dry_at_its_layer() {
    let mut setup = Setup::default();
    setup.machine.vat_ml = 2.0;
    let part = Part::new(cuboid(20.0, 20.0, 10.0).unwrap());
    let findings = inspect(&part, &Context::new(setup)).unwrap().findings;
    let vat = findings.iter().find(|f| f.code == "vat").unwrap();
    // 400 mm² a layer, 1.10 g/cm³ liquid to 1.18 cured: 0.02145 ml a layer, empty in the 94th.
    assert_eq!(vat.layers, Some((93, 199)));
    assert!((vat.value.unwrap() - 4.0 * 1.18 / 1.10).abs() < 1e-3, "{vat:#?}");
    assert_clean(&part);
}

#[test]
fn too_little_light_does_not_reach_through_a_layer() {
    let mut setup = Setup::default();
    setup.exposure.exposure_s = 1.6; // 6.4 mJ/cm² on a critical dose of 6: 7.7 µm
    let part = Part::new(cuboid(5.0, 5.0, 5.0).unwrap());
    let findings = inspect(&part, &Context::new(setup)).unwrap().findings;
    let cure = findings.iter().find(|f| f.code == "cure").unwrap();
    assert_eq!(cure.severity, Severity::Fault);
    assert!((cure.value.unwrap() - 0.12 * (6.4_f64 / 6.0).ln()).abs() < 1e-9);
    assert_clean(&part);
}

#[test]
fn a_keep_clean_face_on_the_plate_is_a_fault() {
    let mut part = Part::new(cuboid(5.0, 5.0, 5.0).unwrap());
    let down: Vec<bool> =
        (0..part.body.triangles().len()).map(|f| part.body.area_normal(f).z < -1.0).collect();
    part.keep_clean = down.into();
    let fault = only_fault(&part);
    assert_eq!(fault.code, "keep_clean");
    assert!((fault.value.unwrap() - 25.0).abs() < 1e-9);
    let turn = UnitQuaternion::from_axis_angle(&Vector::x_axis(), 1.57);
    assert_clean(&part.turned(turn, 0.0).unwrap());
}

#[test]
fn the_reach_of_young_resin_is_about_what_practice_says() {
    // One exposure cures 83 µm; overhangs of about 1 mm and bridges of 2–3 mm are common
    // practice, no source.
    let reach = Reach::of(&Setup::default());
    assert!((0.8..1.2).contains(&reach.free_mm), "{reach:?}");
    assert!((2.0..3.0).contains(&reach.span_mm), "{reach:?}");
}

/// A comb of cups side by side, each far too small to matter: no warning, and one line for all.
#[test]
fn what_keeps_within_its_limit_is_one_note() {
    let wall = |n: usize| cuboid(0.6, 6.0, 4.0).map(|s| (s, [2.0 * n as f64, 0.0, 2.0])).unwrap();
    let mut pieces: Vec<(Solid, [f64; 3])> = (0..8).map(wall).collect();
    pieces.push((cuboid(14.6, 6.0, 2.0).unwrap(), [0.0; 3]));
    for y in [0.0, 5.4] {
        pieces.push((cuboid(14.6, 0.6, 4.0).unwrap(), [0.0, y, 2.0]));
    }
    let findings = check(&Part::new(body("comb", &pieces))).findings;
    let cups: Vec<_> = findings.iter().filter(|f| f.code == "cup").collect();
    let [cup] = &cups[..] else { panic!("{cups:#?}") };
    assert_eq!(cup.severity, Severity::Note, "{cup:#?}");
    assert!(cup.message.contains("small cups: 7"), "{}", cup.message);
    // 1.4 × 4.8 mm under one atmosphere.
    assert!((cup.value.unwrap() - 0.101_325 * 1.4 * 4.8).abs() < 0.02, "{cup:#?}");
    assert!(cup.value < cup.limit, "{cup:#?}");
}

/// Whatever is graver than a note lies beyond the limit that it prints. Widths and depths have
/// least values, the rest greatest.
#[test]
fn only_what_is_beyond_its_limit_is_graver_than_a_note() {
    let mut seen = 0;
    for seed in 1..4 {
        let part = Part::new(
            vatwright::mesh::shapes::figure(seed, 24.0, 8_000, &vatwright::Job::default()).unwrap(),
        );
        for f in check(&part).findings.iter().filter(|f| f.severity > Severity::Note) {
            let (Some(value), Some(limit)) = (f.value, f.limit) else { continue };
            let least = ["thin", "gap", "cure"].contains(&f.code.as_str());
            assert!(if least { value < limit } else { value > limit }, "{f:#?}");
            seen += 1;
        }
    }
    assert!(seen > 0);
}
