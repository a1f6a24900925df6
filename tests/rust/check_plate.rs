//! Known answers of a whole plate: the arm that its parts share, the pull of all on the film, and
//! who says what.

use crate::common::mean_stress;
use std::f64::consts::PI;
use std::sync::Arc;
use vatwright::check::{Checked, inspect, inspect_plate};
use vatwright::mechanics::springback::gap_left_mm;
use vatwright::mesh::shapes::{cuboid, cylinder};
use vatwright::{Context, Finding, Part, Placed, Plate, Setup, Severity};

fn named(name: &str, part: Part) -> Arc<Part> {
    Arc::new(Part { name: name.into(), ..part })
}

/// Parts side by side on a large plate.
fn on_plate(parts: &[&Arc<Part>]) -> Plate {
    let at = |(i, part): (usize, &&Arc<Part>)| Placed {
        part: Arc::clone(part),
        x_mm: 20.0 + 25.0 * i as f64,
        y_mm: 40.0,
        turn_deg: 90.0,
    };
    Plate {
        name: "plate 3".into(),
        width_mm: 300.0,
        depth_mm: 80.0,
        placed: parts.iter().enumerate().map(at).collect(),
        ..Plate::default()
    }
}

fn of(checked: &Checked, code: &str) -> Vec<Finding> {
    checked.findings.iter().filter(|f| f.code == code).cloned().collect()
}

/// A disc of R = 8 mm, 2 mm high: J = πR⁴/2.
const R_MM: f64 = 8.0;

fn disc(name: &str) -> Arc<Part> {
    named(name, Part::new(cylinder(R_MM, 2.0, 128).unwrap()))
}

/// Equal dampers beside each other on one spring settle like one of them on a spring that is as
/// many times softer. By hand: the gap that a spring of k/n leaves of Stefan's resistance.
#[test]
fn parts_of_a_plate_share_the_arm() {
    let setup = mean_stress();
    let part = disc("lamp lens");
    for n in [1_u8, 2, 5] {
        let all = vec![&part; usize::from(n)];
        let found = inspect_plate(&on_plate(&all), &Context::new(setup.clone())).unwrap();
        let mut softer = setup.clone();
        softer.machine.frame_stiffness_n_mm /= f64::from(n);
        let alone = inspect(&part, &Context::new(softer.clone())).unwrap();
        let k = 20;
        let (one, shared) = (alone.profile.missed[k], found.profile.missed[k]);
        assert!((shared - one).abs() < 1e-9 * one.max(1e-9), "{n}: {shared} {one}");
        let (h, m) = (setup.exposure.layer_mm, &setup.machine);
        let (j, spring) = (PI * R_MM.powi(4) / 2.0, softer.machine.frame_stiffness_n_mm);
        let (mut lag, mut by_hand) = (0.0, 0.0);
        for _ in 0..=k {
            let gap = gap_left_mm(j, h - lag, m.settle_s, setup.resin.viscosity_pa_s, spring);
            (lag, by_hand) = (f64::max(0.0, lag + gap - h), (gap - h) / h);
        }
        assert!((shared - by_hand).abs() < 0.04 * by_hand + 0.002, "{n}: {shared} {by_hand}");
    }
}

/// A pause that does for one part and not for five of them.
fn hurried(part: &Part) -> Setup {
    let mut setup = mean_stress();
    setup.machine.settle_s = 1e-3;
    let found = |setup: &Setup| inspect(part, &Context::new(setup.clone())).unwrap();
    while !of(&found(&setup), "springback").is_empty() {
        setup.machine.settle_s *= 1.3;
    }
    setup
}

#[test]
fn what_holds_only_beside_others_is_said_once_and_of_the_worst() {
    let (wide, narrow) = (disc("lens"), named("gear", Part::new(cylinder(7.5, 2.0, 64).unwrap())));
    let ctx = Context::new(hurried(&wide));
    let plate = on_plate(&[&wide, &narrow, &wide, &wide, &wide]);
    let checked = inspect_plate(&plate, &ctx).unwrap();
    let found = of(&checked, "springback");
    assert_eq!(found.len(), 1, "{found:?}");
    assert_eq!((found[0].part.as_str(), found[0].plate.as_str()), ("lens", "plate 3"));
    assert!(found[0].message.contains("share the machine's arm"), "{}", found[0].message);
    assert!(found[0].message.contains("one other part"), "{}", found[0].message);
    // Its remedy holds: with that pause nothing is left to say.
    let words = found[0].remedy.split(' ').nth(2).unwrap();
    let mut setup = Setup::clone(&ctx.setup);
    setup.machine.settle_s = words.parse::<f64>().unwrap() + 0.1;
    let mended = inspect_plate(&plate, &Context::new(setup)).unwrap();
    assert_eq!(of(&mended, "springback"), []);

    // What it says alone it does not say again: as grave, so no finding of sharing.
    let mut slow = Setup::clone(&ctx.setup);
    slow.machine.settle_s *= 0.5;
    let ctx = Context::new(slow);
    let alone = of(&inspect(&wide, &ctx).unwrap(), "springback");
    let both = of(&inspect_plate(&on_plate(&[&wide, &wide]), &ctx).unwrap(), "springback");
    assert_eq!(alone.len(), 1);
    if both.len() > 1 {
        assert!(both[0].severity > alone[0].severity, "{both:?}");
    }
}

/// δ = F·(c + 1/k), Hooke, with F of all parts.
#[test]
fn film_and_arm_feel_the_pull_of_all() {
    let part = disc("lens");
    let mut setup = mean_stress();
    let one_n = inspect(&part, &Context::new(setup.clone())).unwrap().profile.pull_n(20);
    let give = setup.machine.film_compliance_mm_n + 1.0 / setup.machine.frame_stiffness_n_mm;
    setup.machine.lift_mm = f64::max(0.1, 2.5 * give * one_n);
    setup.machine.film_compliance_mm_n *= setup.machine.lift_mm / (2.5 * give * one_n);
    let ctx = Context::new(setup);
    let checked = |n: usize| inspect_plate(&on_plate(&vec![&part; n]), &ctx).unwrap();
    assert_eq!(of(&checked(2), "lift"), []);
    let found = of(&checked(4), "lift");
    assert_eq!(found.len(), 1);
    assert_eq!((found[0].part.as_str(), found[0].plate.as_str()), ("plate 3", "plate 3"));
    assert_eq!(found[0].severity, Severity::Fault);
    let (m, value) = (&ctx.setup.machine, found[0].value.unwrap());
    let peak = checked(4).profile.peel_n.iter().copied().fold(0.0, f64::max);
    let by_hand = peak * (m.film_compliance_mm_n + 1.0 / m.frame_stiffness_n_mm);
    assert!((value - by_hand).abs() < 1e-9 * by_hand, "{value} {by_hand}");
    assert!((peak - 4.0 * checked(1).profile.peel_n[0]).abs() < 1e-9);
}

/// A part alone on its plate says what it says alone, with the plate's name; what of it stands where
/// stays in its own coordinates.
#[test]
fn a_part_alone_on_a_plate_is_that_part() {
    let part = named("crate", Part::new(cuboid(9.0, 5.0, 3.0).unwrap()));
    let mut setup = mean_stress();
    (setup.machine.vat_ml, setup.machine.lift_mm) = (1.0, 0.1);
    setup.machine.film_compliance_mm_n = 5.0;
    let ctx = Context::new(setup);
    let own = inspect(&part, &ctx).unwrap().findings;
    let on = inspect_plate(&on_plate(&[&part]), &ctx).unwrap().findings;
    assert!(own.iter().any(|f| f.code == "lift"));
    let named: Vec<Finding> = own.into_iter().map(|f| f.on_plate("plate 3")).collect();
    assert_eq!(on, named);
    let two = inspect_plate(&on_plate(&[&part, &part]), &ctx).unwrap().findings;
    assert!(two.iter().all(|f| f.plate == "plate 3"));
    let lifts: Vec<&Finding> = two.iter().filter(|f| f.code == "lift").collect();
    assert_eq!(lifts.len(), 1);
}

/// A curve is drawn in few steps, and none of its peaks is lost; four digits are kept.
#[test]
fn the_steps_of_a_profile_keep_its_peaks() {
    let tall = named("signal", Part::new(cuboid(6.0, 4.0, 25.0).unwrap()));
    let ctx = Context::new(mean_stress());
    let profile = inspect(&tall, &ctx).unwrap().profile;
    let steps = profile.steps();
    assert_eq!((steps.layers, steps.each), (500, 3));
    assert_eq!(steps.pull_n.len(), 167);
    let columns: [(&[f64], &[f64]); 4] = [
        (&steps.suction_n, &profile.suction_n),
        (&steps.section_use, &profile.section_use),
        (&steps.bond_use, &profile.bond_use),
        (&steps.tip_use, &profile.tip_use),
    ];
    for (few, all) in columns {
        for (i, &step) in few.iter().enumerate() {
            let of = &all[3 * i..usize::min(3 * i + 3, all.len())];
            let most = of.iter().copied().fold(0.0, f64::max);
            assert!((step - most).abs() <= 5e-4 * most, "{i}: {step} {most}");
        }
    }
    let m = &ctx.setup.machine;
    // Hooke: the pull that stretches film and frame by the whole lift.
    let limit = m.lift_mm / (m.film_compliance_mm_n + 1.0 / m.frame_stiffness_n_mm);
    assert!((steps.pull_limit_n / limit - 1.0).abs() < 1e-3);
}
