//! Supports and rafts on parts whose answer is known.

use nalgebra::{UnitQuaternion, Vector3};
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
    let layers = Scan::new(&surfaces, grid).layers(ctx).unwrap();
    Survey::of(&layers, ctx).unwrap().islands.len()
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
    for style in [Style::Pad, Style::Net, Style::Feet] {
        let raft = Raft { style, ..Raft::default() };
        let body = shapes::sphere(5.0, 2000).unwrap();
        let done = supported(Part::new(body), &raft, &Support::default(), &ctx);
        assert_sound(&format!("{style:?}"), &done, &ctx);
    }
}
