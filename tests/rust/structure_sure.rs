//! How sure it is that a part holds: the tip that fails, the side load, constants as intervals; each
//! against a hand formula.

use crate::check_loads::on_columns;
use crate::common::mean_stress;
use approx::assert_relative_eq;
use std::f64::consts::PI;
use vatwright::check::{Checked, inspect};
use vatwright::mechanics::{bar, peel};
use vatwright::mesh::shapes::{frustum, plate};
use vatwright::structure::SupportFrame;
use vatwright::{Context, Finding, Member, Part, Point, Setup, Severity, Supports, Tip, Vector};

fn checked(part: &Part, setup: &Setup) -> Checked {
    inspect(part, &Context::new(setup.clone())).unwrap()
}

fn of(checked: &Checked, code: &str) -> Vec<Finding> {
    checked.findings.iter().filter(|f| f.code == code).cloned().collect()
}

/// Upright columns with a tip on each.
fn columns(at: &[[f64; 2]]) -> Supports {
    let mut s = Supports::default();
    for &[x, y] in at {
        let foot = s.nodes.len() as u32;
        s.nodes.extend([Point::new(x, y, 0.0), Point::new(x, y, 8.0)]);
        s.feet.push(foot);
        s.members.push(Member { a: foot, b: foot + 1, diameter_mm: 1.0 });
        let (contact, normal) = (Point::new(x, y, 10.0), -Vector::z());
        s.tips.push(Tip { contact, normal, diameter_mm: 0.4, node: foot + 1, facet: None });
    }
    s
}

const SPREAD: [[f64; 2]; 5] = [[0.0, 0.0], [5.0, 0.5], [-1.0, 6.0], [-4.0, -3.0], [2.0, -5.0]];

/// A frame from which a neck is taken by forces that cancel it is the frame built without that neck.
#[test]
fn a_lost_tip_leaves_the_frame_without_it() {
    let all = SupportFrame::whole(&columns(&SPREAD), 1000.0, 0.4);
    let solved = all.solved().unwrap();
    for gone in 0..SPREAD.len() {
        let s = columns(&SPREAD);
        let left: Vec<u32> = (0..5).filter(|&t| t as usize != gone).collect();
        let without = SupportFrame::new(&s, &left, &[], 1000.0, 0.4);
        let (ours, twin) = (solved.without(gone).unwrap().unwrap(), without.response().unwrap());
        let pull = peel::Pull { force_n: 3.0, x_mm: 1.5, y_mm: -0.7 };
        let ours: Vec<f64> = ours.necks(&ours.pulled(pull)).map(|n| n.axial_n).collect();
        let twin: Vec<f64> = twin.necks(&twin.pulled(pull)).map(|n| n.axial_n).collect();
        assert_relative_eq!(ours[gone], 0.0);
        for (&t, twin) in left.iter().zip(twin) {
            assert_relative_eq!(ours[t as usize], twin, max_relative = 1e-6, epsilon = 1e-9);
        }
    }
    let two = SupportFrame::whole(&columns(&SPREAD[..1]), 1000.0, 0.4);
    assert!(two.solved().unwrap().without(0).unwrap().is_none(), "nothing is left to hold it");
}

/// Of four tips at the corners of a square, one lost: by equal springs the pull in the middle goes to
/// the two beside it, half each (statics), where it was a quarter before.
#[test]
fn one_of_four_corners_lost_doubles_its_neighbours() {
    let at = [[4.0, 4.0], [-4.0, 4.0], [-4.0, -4.0], [4.0, -4.0]];
    let (side, d) = (10.0, 0.6);
    let part = || on_columns(plate(side, side, 1.0).unwrap(), 8.0, &at, d, 1.2);
    let mut setup = mean_stress();
    (setup.machine.return_speed_mm_s, setup.machine.separation_kpa) = (0.01, 60.0);
    setup.limits.lost_tip_safety = 3.0;
    let lost = of(&checked(&part(), &setup), "redundancy");
    let pull = peel::Model::of(&setup).force_n(side * side, 0.8828); // of a square, Saint-Venant
    let half = 0.5 * pull / bar::area_mm2(d);
    assert_eq!(lost.len(), 1);
    let value = lost[0].value.unwrap();
    // Necks are clamped, so that they bend a little besides.
    assert!((half..1.3 * half).contains(&value), "{value} {half}");
    assert_relative_eq!(lost[0].limit.unwrap(), 20.0 / 3.0);
    assert_eq!(lost[0].severity, Severity::Warning);
    setup.limits.lost_tip_safety = 20.0 / (1.3 * half);
    assert!(of(&checked(&part(), &setup), "redundancy").is_empty());
}

/// More than a speck, 5 mm² or 3 mm, on fewer than three tips is told; a speck is not.
#[test]
fn more_than_a_speck_asks_for_three_tips() {
    let setup = mean_stress();
    let on = |side: f64, high: f64, at: &[[f64; 2]]| {
        let part = on_columns(plate(side, side, high).unwrap(), 8.0, at, 0.5, 1.2);
        of(&checked(&part, &setup), "redundancy")
    };
    let two = on(3.0, 1.0, &[[-1.0, 0.0], [1.0, 0.0]]);
    assert!(two[0].message.contains("hangs on two tips"), "{two:#?}");
    assert_eq!(two[0].layers.unwrap().0, (8.0_f64 / 0.05).round() as u32);
    assert!(on(3.0, 1.0, &[[-1.0, -0.8], [1.0, -0.8], [0.0, 1.0]]).is_empty());
    assert!(on(2.0, 1.0, &[[0.0, 0.0]]).is_empty());
    let tall = on(2.0, 6.0, &[[0.0, 0.0]]);
    assert!(tall[0].message.contains("hangs on one tip"), "{tall:#?}");
    assert!(tall[0].layers.unwrap().0 > (10.9_f64 / 0.05) as u32, "{tall:#?}");
}

/// A share k of the pull aside bends a single upright column under the middle of the part by
/// k·F times the height of the layer above its foot (a cantilever).
#[test]
fn a_side_load_bends_a_column_at_its_foot() {
    let (column, share) = (1.2, 0.2);
    let part = on_columns(frustum(0.5, 3.0, 2.5, 96).unwrap(), 20.0, &[[0.0, 0.0]], 0.6, column);
    let mut setup = mean_stress();
    setup.machine.return_speed_mm_s = 0.01;
    let at_foot = |share: f64| {
        let mut setup = setup.clone();
        setup.machine.side_share = share;
        let found = checked(&part, &setup);
        let layer = (22.0 / 0.05) as usize;
        let used = found.profile.bar_use[layer];
        let pull = found.profile.peel_n[layer] - peel::Model::of(&setup).force_n(0.0, 1.0);
        (used * 10.0, pull)
    };
    let (stress, pull) = at_foot(share);
    // The layer ends at 22.05 mm, the foot stands at 0.3 mm.
    let moment = share * pull * (22.05 - 0.3);
    let hand = pull / bar::area_mm2(column) + 32.0 * moment / (PI * column.powi(3));
    assert!((stress / hand - 1.0).abs() < 0.03, "{stress} {hand}");
    assert!(at_foot(0.0).0 < 0.3 * stress);
}

/// One constant, drawn by its logarithm between half and twice its value: the part holds where the
/// stress at safety 1 keeps below the strength, which is a share of the interval in closed form.
#[test]
fn the_share_of_an_interval_that_holds_is_told() {
    let at = [[4.0, 4.0], [-4.0, 4.0], [-4.0, -4.0], [4.0, -4.0]];
    let part = on_columns(plate(10.0, 10.0, 1.0).unwrap(), 8.0, &at, 0.4, 1.2);
    let mut setup = mean_stress();
    (setup.machine.return_speed_mm_s, setup.machine.separation_kpa) = (0.01, 60.0);
    setup.resin.plate_bond_kpa = 1e4;
    let plain = checked(&part, &setup);
    assert!(plain.confidence.is_none(), "nothing is uncertain");
    let worst = plain.profile.tip_use.iter().fold(0.0, |a: f64, b| a.max(*b));
    // Strength over stress: so much more pull is borne.
    let room = 2.0 / worst;
    assert!((0.6..1.95).contains(&room), "{room}");
    let interval = [30.0, 120.0];
    let machine = [("separation_kpa".to_string(), interval)].into();
    setup.intervals = [("machine".to_string(), machine)].into();
    let hand = (60.0 * room / interval[0]).ln() / (interval[1] / interval[0]).ln();
    setup.limits.confidence = 0.99;
    let found = checked(&part, &setup);
    let confidence = found.confidence.clone().unwrap();
    assert!((confidence.share - hand).abs() < 0.02, "{} {hand}", confidence.share);
    assert_eq!(confidence.settles.as_deref(), Some("machine.separation_kpa"));
    let told = of(&found, "confidence");
    assert_eq!(told.len(), 1);
    assert!(told[0].remedy.contains("measure machine.separation_kpa"), "{told:#?}");
    // More pull, a smaller share; less asked, no finding.
    setup.limits.confidence = 0.0;
    assert!(of(&checked(&part, &setup), "confidence").is_empty());
}
