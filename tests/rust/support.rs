//! Supports and rafts on parts whose answer is known.

use nalgebra::{UnitQuaternion, Vector3};
use vatwright::check::inspect;
use vatwright::layers::{Grid, Scan, Survey};
use vatwright::mesh::shapes;
use vatwright::passes::raft::Style;
use vatwright::passes::{Pass, Raft, Support};
use vatwright::{Context, Done, Part, Role, Setup, Severity, Solid};

/// A coarser pixel than any printer's keeps the tests quick; layers are final.
fn context() -> Context {
    let mut setup = Setup::load("desk-50um").unwrap();
    setup.machine.pixel_mm = 0.1;
    Context::new(setup)
}

fn tilted(body: Solid, x_deg: f64, y_deg: f64) -> Part {
    let turn = UnitQuaternion::from_axis_angle(&Vector3::y_axis(), y_deg.to_radians())
        * UnitQuaternion::from_axis_angle(&Vector3::x_axis(), x_deg.to_radians());
    Part::new(body).turned(turn, 0.0).unwrap()
}

fn supported(part: Part, raft: &Raft, support: &Support, ctx: &Context) -> Done<Part> {
    let part = raft.apply(part, ctx).unwrap().value;
    support.apply(part, ctx).unwrap()
}

/// Islands of everything printed, found by a survey of its own.
fn islands(part: &Part, ctx: &Context) -> usize {
    let surfaces = part.surfaces(&Role::ALL);
    let (layer, pixel) = (ctx.setup.exposure.layer_mm, ctx.setup.machine.pixel_mm);
    let grid = Grid::around(&surfaces, layer, pixel).unwrap();
    let layers = Scan::new(&surfaces, grid).layers(&ctx.job).unwrap();
    Survey::of(&layers, &ctx.job).unwrap().islands.len()
}

fn assert_sound(name: &str, done: &Done<Part>, ctx: &Context) {
    let faults: Vec<_> =
        done.report.findings.iter().filter(|f| f.severity == Severity::Fault).collect();
    assert!(faults.is_empty(), "{name}: {faults:#?}\n{:#?}", done.report.numbers);
    assert_eq!(islands(&done.value, ctx), 0, "{name}");
    let supports = done.value.supports.as_ref().unwrap();
    Solid::try_from(supports.mesh.clone()).unwrap();
    Solid::try_from(done.value.raft.as_ref().unwrap().mesh.clone()).unwrap();
    for t in &supports.tips {
        assert!(t.facet.is_none_or(|f| !done.value.is_keep_clean(f as usize)), "{name}");
    }
}

#[test]
fn simple_solids_stand_at_any_tilt() {
    let ctx = context();
    for (name, body) in [
        ("ball", shapes::sphere(8.0, 5000).unwrap()),
        ("slab", shapes::plate(20.0, 12.0, 3.0).unwrap()),
        ("ring", shapes::torus(8.0, 2.0, 60).unwrap()),
        ("cylinder", shapes::cylinder(4.0, 16.0, 60).unwrap()),
    ] {
        for tilt in [0.0, 15.0, 45.0, 90.0] {
            let done = supported(
                tilted(body.clone(), tilt, 0.0),
                &Raft::default(),
                &Support::default(),
                &ctx,
            );
            assert_sound(&format!("{name} at {tilt}°"), &done, &ctx);
        }
    }
}

#[test]
fn every_base_style_carries() {
    let ctx = context();
    for style in [Style::Solid, Style::Net, Style::Feet] {
        let raft = Raft { style, ..Raft::default() };
        let body = shapes::sphere(5.0, 2000).unwrap();
        let done = supported(Part::new(body), &raft, &Support::default(), &ctx);
        assert_sound(&format!("{style:?}"), &done, &ctx);
    }
}

#[test]
fn tips_change_by_hand_and_only_what_changed_is_looked_at() {
    let ctx = context();
    let part = tilted(shapes::cylinder(4.0, 16.0, 60).unwrap(), 90.0, 0.0);
    let done = supported(part, &Raft::default(), &Support::default(), &ctx);
    let edit = Support::default().edit(done.value.clone(), &ctx).unwrap();
    // Taken over, nothing has changed.
    let before = &done.value.supports.as_ref().unwrap().tips;
    assert_eq!(edit.tips().len(), before.len());
    for (now, then) in edit.tips().iter().zip(before) {
        assert!((now.contact - then.contact).norm() < 1e-9 && now.facet == then.facet);
        assert!((now.diameter_mm - then.diameter_mm).abs() < 1e-9);
    }
    let layers = (done.value.bounds().max.z / ctx.setup.exposure.layer_mm) as usize;

    // A tip far up the side: the layers above it stay as they were.
    let side = vatwright::Point::new(0.5, 3.5, 9.0);
    let more = edit.add(side, &ctx).unwrap();
    assert_eq!(more.tips().len(), edit.tips().len() + 1);
    let new = &more.tips()[edit.tips().len()];
    assert!((new.contact - side).xy().norm() < 0.1 && new.normal.z < 0.0);
    assert!(more.layers_looked_at() < layers * 9 / 10, "{}", more.layers_looked_at());

    // Moved, then taken away again, and nothing remains of it.
    let end = vatwright::Point::new(-3.0, 1.0, 6.0);
    let moved = more.moved(edit.tips().len(), end, &ctx).unwrap();
    assert!((moved.tips()[edit.tips().len()].contact - end).xy().norm() < 0.1);
    let back = moved.without(&[edit.tips().len()], &ctx).unwrap();
    assert_eq!(back.done().value, edit.done().value);
    assert_eq!(back.done().report.findings, edit.done().report.findings);

    // Without the lowest, the pass says what now begins in mid-air.
    let z = |i: &usize| edit.tips()[*i].contact.z;
    let low = (0..edit.tips().len()).min_by(|a, b| z(a).total_cmp(&z(b))).unwrap();
    let near = |i: &usize| (z(i) - z(&low)).abs() < 0.1;
    let lowest: Vec<usize> = (0..edit.tips().len()).filter(near).collect();
    let less = edit.without(&lowest, &ctx).unwrap();
    assert!(less.done().report.findings.iter().any(|f| f.code == "island"));

    let nowhere = vatwright::Point::new(30.0, 0.0, 6.0);
    let error = edit.add(nowhere, &ctx).unwrap_err().to_string();
    assert!(error.contains("(30.00, 0.00, 6.00)") && error.contains("choose another"), "{error}");
    assert!(edit.without(&[999], &ctx).unwrap_err().to_string().contains("999"));
}

#[test]
fn openings_lower_the_peel_of_the_base() {
    // A mean stress, so that peel is told by the area.
    let mut setup = (*context().setup).clone();
    setup.machine.separation_area_exponent = 1.0;
    let ctx = Context::new(setup);
    let peel = |raft: &Raft| {
        let body = shapes::torus(10.0, 2.0, 60).unwrap();
        let done = supported(Part::new(body), raft, &Support::default(), &ctx);
        assert_sound(&format!("{raft:?}"), &done, &ctx);
        let checked = inspect(&done.value, &ctx).unwrap();
        assert_ne!(checked.worst(), Some(Severity::Fault), "{raft:?}: {:?}", checked.findings);
        checked.profile.peel_n[2]
    };
    let closed = peel(&Raft::default());
    let open = peel(&Raft { opening_mm: 3.0, ..Raft::default() });
    let net = peel(&Raft { style: Style::Net, ..Raft::default() });
    assert!(open < 0.85 * closed, "{open} N of {closed} N");
    assert!(net < 0.85 * closed, "{net} N of {closed} N");
}

#[test]
fn supports_fuse_into_one_solid() {
    let ctx = context();
    let body = shapes::sphere(5.0, 500).unwrap();
    let done = supported(Part::new(body), &Raft::default(), &Support::default(), &ctx);
    let whole = done.value.fused(&Role::ALL, &ctx.job).unwrap();
    assert_eq!(vatwright::mesh::health::diagnose(whole.mesh()).shells, 1);
    // Layers see the same material in both.
    let surfaces = done.value.surfaces(&Role::ALL);
    let grid = Grid::around(&surfaces, 0.05, 0.05).unwrap();
    let volume = Scan::new(&surfaces, grid).layers(&ctx.job).unwrap().volume_mm3();
    let fused = vatwright::mesh::measure::volume_mm3(whole.mesh());
    assert!((fused - volume).abs() < 2e-3 * volume, "{fused} against {volume} mm³");
}

#[test]
fn without_a_base_the_first_layers_are_drawn_in() {
    use std::f64::consts::PI;
    let ctx = context();
    let body = shapes::tube(8.0, 3.0, 6.0, 400).unwrap();
    let raft = Raft { style: Style::None, inset_mm: Some(0.2), ..Raft::default() };
    let done = raft.apply(Part::new(body.clone()), &ctx).unwrap();
    let surfaces = done.value.surfaces(&Role::ALL);
    let grid = Grid::around(&surfaces, 0.05, 0.02).unwrap();
    let layers = Scan::new(&surfaces, grid).layers(&ctx.job).unwrap();
    let first = ctx.setup.exposure.first_layers;
    for k in 0..grid.layers {
        let by = if k < first { 0.2 } else { 0.0 };
        let truth = PI * ((8.0_f64 - by).powi(2) - (3.0_f64 + by).powi(2));
        let area = layers.layer(k).area_mm2(&grid);
        assert!((area / truth - 1.0).abs() < 1e-3, "layer {k}: {area} against {truth} mm²");
    }
    // Twice is refused, and the check no longer warns of what was drawn in.
    assert!(raft.apply(done.value.clone(), &ctx).is_err());
    let grows = |part: &Part| {
        inspect(part, &ctx).unwrap().findings.iter().any(|f| f.code == "first_layer_flare")
    };
    assert!(grows(&Part::new(body.clone())) && !grows(&done.value));
    // A wall that leans out is drawn in layer by layer.
    let cone = shapes::frustum(8.0, 14.0, 6.0, 400).unwrap();
    let done = raft.apply(Part::new(cone), &ctx).unwrap();
    let surfaces = done.value.surfaces(&Role::ALL);
    let layers = Scan::new(&surfaces, Grid::around(&surfaces, 0.05, 0.02).unwrap());
    let layers = layers.layers(&ctx.job).unwrap();
    let radius = |k: u32| (layers.layer(k).area_mm2(&layers.grid) / PI).sqrt();
    assert!((radius(first - 1) - (8.0 + 4.5 * 0.05 - 0.2)).abs() < 2e-3, "{}", radius(first - 1));
    assert!((radius(first) - (8.0 + 5.5 * 0.05)).abs() < 2e-3, "{}", radius(first));

    // A small ball has nothing to spare.
    let ball = shapes::sphere(0.5, 2000).unwrap();
    let done = raft.apply(Part::new(ball), &ctx).unwrap();
    assert!(done.report.findings.iter().any(|f| f.code == "first_layer_flare"));
}
