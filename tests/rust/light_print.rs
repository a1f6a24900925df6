//! What the light leaves of a part, and what it takes to make it true.

use approx::assert_relative_eq;
use vatwright::light::Light;
use vatwright::mesh::shapes::cuboid;
use vatwright::passes::{Pass, Print};
use vatwright::{Context, Finding, Mesh, Part, Pose, Setup, Severity, Solid};

fn body(name: &str, pieces: &[(Solid, [f64; 3])]) -> Part {
    let meshes: Vec<Mesh> =
        pieces.iter().map(|(s, [x, y, z])| s.transformed(&Pose::translation(*x, *y, *z))).collect();
    Part::new(Solid::try_from(Mesh::concat(name, &meshes)).unwrap())
}

fn findings(part: &Part, ctx: &Context) -> Vec<Finding> {
    Print::default().apply(part, ctx).unwrap().report.findings
}

/// A block on the plate: upright walls and flare where the closed form of a wide edge says for the
/// doses that add up at each layer's middle (geometric sum), its top true.
#[test]
fn walls_and_foot_of_a_block_come_to_lie_where_an_edge_does() {
    let mut setup = Setup::default();
    setup.exposure.edge_tail_share = 0.0;
    let ctx = Context::new(setup);
    let part = Part::new(cuboid(5.0, 4.0, 3.0).unwrap());
    let found = Print::default().apply(&part, &ctx).unwrap();
    let (printed, light) = (found.value, Light::of(&ctx.setup));
    let wall = light.blur.growth_mm(light.stacked_mj_cm2(0.05), 6.0);
    for (i, off) in printed.deviation_mm.iter().enumerate() {
        let n = part.body.area_normal(i).normalize();
        // Mean over wall and foot, whose spots are counted as well.
        let within = if n.z.abs() > 0.5 { 0.002 } else { 0.012 };
        let truth = if n.z.abs() > 0.5 { 0.0 } else { wall };
        assert!((off - truth).abs() < within, "{n}: {off} for {truth}");
    }
    // The lowest layer gets all first layers' light and what others leave of theirs.
    let keep = light.left(0.05);
    let below: f64 = (0..60).map(|k| light.of_layer(k) * keep.powi(k as i32)).sum();
    let flare = light.blur.growth_mm(below * light.left(0.025), 6.0);
    assert_relative_eq!(printed.flare_mm, flare, epsilon = 0.004);
    assert!(found.report.findings.iter().any(|f| f.code == "first_layer_flare"));
    // The foot is all there is of added volume beside the walls' growth.
    assert!(printed.cured_mm3 > printed.drawn_mm3);
}

/// d∞ of Dp = 120 µm, Ec = 6, E = 12 mJ/cm² and 50 µm layers is 162.37 µm (derived; compare Limaye
/// & Rosen 2007, from memory).
#[test]
fn light_cures_through_an_underside() {
    let mut setup = Setup::default();
    setup.exposure.edge_tail_share = 0.0; // else the foot shines under it
    let ctx = Context::new(setup);
    let part = body(
        "bracket",
        &[
            (cuboid(2.0, 4.0, 6.0).unwrap(), [0.0; 3]),
            (cuboid(6.0, 4.0, 3.0).unwrap(), [0.0, 0.0, 3.0]),
        ],
    );
    let found = Print::default().apply(&part, &ctx).unwrap();
    assert!((found.value.through_mm - 0.162).abs() < 0.01, "{}", found.value.through_mm);
    let through = found.report.findings.iter().find(|f| f.code == "cure_through").unwrap();
    assert_eq!(through.severity, Severity::Warning);
    assert_eq!((found.value.closed_mm2, found.value.lost_mm2), (0.0, 0.0));
}

/// A slot and a rib much narrower than the blur, beside wide ones that stay.
#[test]
fn narrow_slots_close_and_thin_ribs_are_lost() {
    let mut setup = Setup::default();
    setup.exposure.edge_blur_mm = 0.1;
    let ctx = Context::new(setup);
    let block = |x: f64| cuboid(x, 4.0, 3.0).unwrap();
    let comb = |slot: f64, rib: f64| {
        let base = cuboid(12.0, 4.0, 1.0).unwrap();
        body(
            "comb",
            &[
                (base, [0.0; 3]),
                (block(3.0), [0.0; 3]),
                (block(3.0), [3.0 + slot, 0.0, 0.0]),
                (block(rib), [9.0, 0.0, 0.0]),
            ],
        )
    };
    let says = |part: &Part, code: &str| findings(part, &ctx).iter().any(|f| f.code == code);
    let (narrow, wide) = (comb(0.1, 0.04), comb(1.0, 1.0));
    assert!(says(&narrow, "gap") && says(&narrow, "thin"), "{:#?}", findings(&narrow, &ctx));
    assert!(!says(&wide, "gap") && !says(&wide, "thin"), "{:#?}", findings(&wide, &ctx));
}

/// A flat face tilted by θ: no form error, and the steps of layers and pixels as saw-teeth, rms
/// √((h·cosθ)² + (p·sinθ)²)/√12 (derived).
#[test]
fn a_flat_face_has_steps_and_no_form_error() {
    use nalgebra::UnitQuaternion;
    use std::sync::Arc;
    use vatwright::Vector;
    let mut setup = Setup::default();
    setup.exposure.edge_tail_share = 0.0;
    let ctx = Context::new(setup);
    let flat = Part::new(cuboid(6.0, 4.0, 1.0).unwrap());
    let theta = 12f64.to_radians();
    let mut part =
        flat.turned(UnitQuaternion::from_axis_angle(&Vector::y_axis(), theta), 1.0).unwrap();
    let top = |i: usize| part.body.area_normal(i).normalize().z > 0.9;
    part.keep_clean = Arc::new((0..part.body.triangles().len()).map(top).collect());
    let print = Print { apart_mm: 0.08, ..Print::default() };
    let found = print.apply(&part, &ctx).unwrap();
    let (h, p) = (0.05 * theta.cos(), 0.05 * theta.sin());
    let rms = h.hypot(p) / 12f64.sqrt();
    assert_relative_eq!(found.value.roughness_mm, rms, max_relative = 0.15);
    assert!(found.value.form_mm < 0.1 * rms, "{}", found.value.form_mm);
    // Any stair of some µm scatters all light: the rule of transmitted scatter leaves its range.
    assert!(found.report.words["roughness"].starts_with("scatters 100 %"));
    assert!(found.report.words.contains_key("form"));
    part.keep_clean = Arc::default();
    let found = print.apply(&part, &ctx).unwrap();
    assert_eq!((found.value.form_mm, found.value.roughness_mm), (0.0, 0.0));
    assert!(!found.report.words.contains_key("form"));
}
