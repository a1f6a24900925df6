//! Estimates against arithmetic by hand.

use approx::assert_relative_eq;
use std::sync::Arc;
use vatwright::mesh::shapes;
use vatwright::passes::{Estimate, Hollow, Pass, Vent, estimate::Cost};
use vatwright::{
    Base, Context, Part, Placed, Plate, Pose, Role, Setup, Solid, Supports, Tip, Vector,
};

fn plate(parts: Vec<Part>) -> Plate {
    let placed = parts
        .into_iter()
        .enumerate()
        .map(|(i, part)| Placed {
            part: Arc::new(part),
            x_mm: 20.0 + 25.0 * i as f64,
            y_mm: 20.0,
            turn_deg: 45.0,
        })
        .collect();
    Plate { name: "night".into(), width_mm: 130.0, depth_mm: 80.0, placed, ..Plate::default() }
}

fn estimate(options: &Estimate, plate: &Plate, setup: &Setup) -> Cost {
    options.apply(plate, &Context::new(setup.clone())).unwrap().value
}

fn block(x: f64, y: f64, z: f64) -> Part {
    Part::new(shapes::cuboid(x, y, z).unwrap())
}

/// One cycle of 3 s light, 5 mm up at 1 mm/s, 5 mm down at 2.5 mm/s and 1 s of pauses is 11 s:
/// 40 layers of a flat lens take 7.3 min, 90 mm take 5.5 h (worked by hand).
#[test]
fn hours_of_a_lens_and_of_a_tall_print() {
    let mut setup = Setup::default();
    setup.exposure.first_layers = 0;
    let time = |z: f64| estimate(&Estimate::default(), &plate(vec![block(10.0, 10.0, z)]), &setup);
    assert_eq!(time(2.0).layers, 40);
    assert_relative_eq!(time(2.0).time_s, 440.0, max_relative = 1e-12);
    assert_relative_eq!(time(90.0).time_s, 1800.0 * 11.0, max_relative = 1e-12);
}

#[test]
fn a_full_plate_takes_as_long_as_its_tallest_part_alone() {
    let setup = Setup::default();
    let tall = || block(8.0, 8.0, 31.0);
    let alone = estimate(&Estimate::default(), &plate(vec![tall()]), &setup);
    let full: Vec<Part> =
        [12.0, 30.99, 4.0].map(|z| block(8.0, 8.0, z)).into_iter().chain([tall()]).collect();
    let full = estimate(&Estimate::default(), &plate(full), &setup);
    assert_eq!(full.time_s, alone.time_s);
    assert!(full.mass_g > 2.0 * alone.mass_g);
}

#[test]
fn time_and_resin_are_the_sums_over_the_layers() {
    let setup = Setup::default();
    let e = &setup.exposure;
    let cost = estimate(
        &Estimate::default(),
        &plate(vec![block(10.0, 10.0, 5.0), block(20.0, 5.0, 2.5), block(20.0, 5.0, 2.5)]),
        &setup,
    );
    assert_eq!(cost.layer_mm2.len(), cost.layers as usize);
    let time: f64 = (0..cost.layers)
        .map(|k| if k < e.first_layers { e.first_exposure_s } else { e.exposure_s } + cost.motion_s)
        .sum();
    assert_relative_eq!(cost.time_s, time, max_relative = 1e-12);
    // 500 + 2 · 250 mm³ cured; the liquid it comes from is thinner by 1.18 / 1.10.
    let cured: f64 = cost.layer_mm2.iter().sum::<f64>() * e.layer_mm;
    assert_relative_eq!(cured, 1000.0, max_relative = 1e-6);
    assert_relative_eq!(cost.resin_ml[&Role::Body], 1.18 / 1.10, max_relative = 1e-6);
    assert_relative_eq!(cost.mass_g, 1.18, max_relative = 1e-6);
    let parts = &cost.resin_ml;
    let losses = cost.wash_loss_ml + cost.vat_loss_ml + cost.trapped_ml;
    assert_relative_eq!(cost.resin_total_ml, parts.values().sum::<f64>() + losses);
    // 0.05 mm over 400 + 2 · 325 mm² of surface.
    assert_relative_eq!(cost.wash_loss_ml, 0.0525, max_relative = 1e-9);
}

/// A block on a raft, a column that reaches 1 mm into it: where they overlap, resin counts once,
/// for the body.
fn supported() -> Part {
    let moved = |s: Solid, z: f64| s.transformed(&Pose::translation(0.0, 0.0, z));
    let mut part = block(10.0, 10.0, 10.0);
    part.pose = Pose::translation(0.0, 0.0, 6.0) * part.pose;
    let base = shapes::cuboid(12.0, 12.0, 1.0).unwrap();
    let low = |s: &Solid| -s.bounds().min.z;
    let raise = low(&base);
    let mesh = moved(base, raise);
    part.raft = Some(Arc::new(Base { bond_mm2: 144.0, mesh, ..Base::default() }));
    let column = shapes::cuboid(2.0, 2.0, 6.0).unwrap();
    let raise = low(&column) + 1.0;
    let contact = vatwright::Point::new(0.0, 0.0, 6.0);
    let tip = Tip { contact, normal: -Vector::z(), diameter_mm: 0.4, node: 0, facet: Some(0) };
    let mesh = moved(column, raise);
    part.supports = Some(Arc::new(Supports { tips: vec![tip], mesh, ..Supports::default() }));
    part
}

#[test]
fn roles_add_up_and_overlaps_count_once() {
    let cost = estimate(&Estimate::default(), &plate(vec![supported()]), &Setup::default());
    let swell = 1.18 / 1.10;
    assert_relative_eq!(cost.resin_ml[&Role::Body], 1.000 * swell, max_relative = 1e-6);
    assert_relative_eq!(cost.resin_ml[&Role::Support], 0.020 * swell, max_relative = 1e-6);
    assert_relative_eq!(cost.resin_ml[&Role::Raft], 0.144 * swell, max_relative = 1e-6);
    let sheet = &cost.sheets[0];
    assert_eq!(sheet.marks.len(), 1);
    assert!(!sheet.marks[0].keep_clean);
    assert_relative_eq!(sheet.mass_g, 1.18, max_relative = 1e-6);
    assert!(sheet.steps.iter().any(|s| s.contains("Sand 1 support mark")));
}

/// A vat of 100 ml that must keep 50: each layer of 60 × 60 mm takes 0.1931 ml, so it is filled
/// every 258 layers.
#[test]
fn the_vat_is_filled_when_it_must_be() {
    let mut setup = Setup::default();
    setup.machine.vat_ml = 100.0;
    let options = Estimate { pitch_mm: 0.5, ..Estimate::default() };
    let cost = estimate(&options, &plate(vec![block(60.0, 60.0, 40.0)]), &setup);
    let at: Vec<u32> = cost.refills.iter().map(|r| r.layer).collect();
    assert_eq!(at, [258, 516, 774]);
    assert!(cost.refills.iter().all(|r| (49.8..=50.0).contains(&r.resin_ml)));
}

/// A block of 40 mm with a cavity of 30 ml, 30 mm high: without a vent it keeps it all.
#[test]
fn a_closed_cavity_traps_its_resin() {
    let mut part = block(40.0, 40.0, 40.0);
    let side = 1000f64.sqrt();
    let void = shapes::cuboid(side, side, 30.0).unwrap();
    let centre = part.body.bounds().center() - void.bounds().center();
    part.cavities = vec![Arc::new(
        void.transformed(&Pose::translation(centre.x, centre.y, centre.z)).flipped(),
    )];
    let shut = estimate(&Estimate::default(), &plate(vec![part]), &Setup::default());
    assert_relative_eq!(shut.trapped_ml, 30.0, max_relative = 1e-9);
    assert_relative_eq!(shut.sealed_ml, 30.0, max_relative = 1e-9);
    assert_relative_eq!(shut.resin_ml[&Role::Body], 34.0 * 1.18 / 1.10, max_relative = 1e-3);
    assert_eq!(shut.sheets[0].drain_s, None);
    assert!(shut.sheets[0].steps.iter().any(|s| s.contains("drill it")));
}

/// What the sheet says of a hollowed ball is what the vent pass found, to the last digit.
#[test]
fn the_sheet_says_what_the_vent_pass_found() {
    let setup = Setup::default();
    let ctx = Context::new(setup.clone());
    let ball = Part::new(shapes::sphere(20.0, 5_000).unwrap());
    let hollow = Hollow { wall_mm: 2.0, ..Hollow::default() }.apply(ball, &ctx).unwrap().value;
    let vented = Vent::default().apply(hollow, &ctx).unwrap();
    let found = |name: &str| vented.report.numbers[name];
    assert!(found("drain_s") > 60.0, "{}", found("drain_s"));
    // Nothing is lost on the way to a file and back.
    let part: Part = serde_json::from_value(serde_json::to_value(&vented.value).unwrap()).unwrap();
    assert_eq!(part, vented.value);

    let cost = estimate(&Estimate::default(), &plate(vec![part.clone(), part.clone()]), &setup);
    let sheet = &cost.sheets[0];
    assert_eq!(sheet.drain_s, Some(found("drain_s")));
    assert_relative_eq!(sheet.retained_ml, found("retained_ml"), max_relative = 1e-12);
    assert_relative_eq!(cost.trapped_ml, 2.0 * found("retained_ml"), max_relative = 1e-12);
    assert_eq!(cost.sealed_ml, 0.0);
    let minutes = format!("let it drain {:.0} min", (found("drain_s") / 60.0).ceil());
    assert!(sheet.steps.iter().any(|s| s.contains(&minutes)), "{:?}", sheet.steps);
    assert!(!sheet.steps.iter().any(|s| s.contains("drip off")), "{:?}", sheet.steps);
    // Each hole has its own stopper, and the sheet names both.
    let plugs: Vec<&str> =
        sheet.cavities.iter().flat_map(|c| &c.plugs).map(|p| p.plug.as_str()).collect();
    assert_eq!(plugs.len(), found("holes") as usize);
    assert!(plugs.iter().all(|p| sheet.steps.iter().any(|s| s.contains(p))), "{:?}", sheet.steps);

    // Turned since, nobody knows how long it takes, and the sheet says so instead of a number.
    let tilt = nalgebra::UnitQuaternion::from_axis_angle(&Vector::x_axis(), 1.0);
    let turned =
        estimate(&Estimate::default(), &plate(vec![part.turned(tilt, 0.0).unwrap()]), &setup);
    assert_eq!(turned.sheets[0].drain_s, None);
    assert!(turned.sheets[0].steps.iter().any(|s| s.contains("not known")));
    let spin = nalgebra::UnitQuaternion::from_axis_angle(&Vector::z_axis(), 1.0);
    assert_eq!(part.turned(spin, 0.0).unwrap().drainage, part.drainage);
}

#[test]
fn clear_parts_are_washed_briefly() {
    let lens = Part::new(shapes::cylinder(10.0, 2.0, 48).unwrap());
    let options =
        Estimate { clear: [lens.name.clone()].into(), pitch_mm: 0.2, ..Estimate::default() };
    let cost = estimate(&options, &plate(vec![lens]), &Setup::default());
    assert_eq!(cost.wash_s, options.clear_wash_s);
    assert!(cost.sheets[0].steps.iter().any(|s| s.contains("gloss")));
}

#[test]
fn the_picture_shows_every_part() {
    let mut hidden = block(10.0, 10.0, 5.0);
    hidden.name = "lamp <glass>".into();
    let picture = plate(vec![hidden, block(8.0, 8.0, 31.0)]).picture_svg(true);
    assert_eq!(picture.matches("<path d=").count(), 3); // ruler and two parts
    assert!(picture.contains("<title>lamp &lt;glass&gt;, 5.0 mm</title>"));
    assert!(picture.contains("1 \u{2068}lamp &lt;glass&gt;\u{2069}, 5.0 mm"));
    assert!(picture.contains(">1</text>") && picture.contains(">2</text>"));
    assert!(picture.starts_with("<svg") && picture.trim_end().ends_with("</svg>"));
}
