//! What stands keeps clear of what a vent is for: its stopper must go in.

use crate::support_known::context;
use vatwright::mesh::{Point, Vector, shapes};
use vatwright::passes::Pass;
use vatwright::{FindingCode, Part, Recipe};

/// Distance of a place from a vent's axis, and how far it lies before the mouth.
fn before(mouth: &Point, out: &Vector, p: &Point) -> (f64, f64) {
    let along = (p - mouth).dot(out);
    ((p - mouth - out * along).norm(), along)
}

#[test]
fn columns_do_not_cross_mouths_and_tips_on_rims_are_told() {
    let ctx = context();
    for seed in [2, 4, 5] {
        let part = Part::new(shapes::figure(seed, 45.0, 20_000, &ctx.job).unwrap());
        let done = Recipe::default().apply(part, &ctx).unwrap();
        let part = &done.value;
        assert!(part.vents.len() >= 2, "figure {seed} has {} vents", part.vents.len());
        let s = part.supports.as_ref().unwrap();
        let mut on_rims = 0;
        for v in &part.vents {
            let (mouth, out) = (part.pose * v.mouth, part.pose * -v.inward);
            let radius = v.diameter_mm / 2.0;
            for t in &s.tips {
                let (aside, along) = before(&mouth, &out, &t.contact);
                // The stopper's rim lies half a millimetre around the hole.
                let rim = radius + 0.5 + t.diameter_mm / 2.0;
                on_rims += u32::from(aside < rim && along.abs() < rim);
            }
            for m in &s.members {
                let (a, b) = (s.nodes[m.a as usize], s.nodes[m.b as usize]);
                for i in 0..=100 {
                    let p = a + (b - a) * (f64::from(i) / 100.0);
                    let (aside, along) = before(&mouth, &out, &p);
                    let free = aside >= radius || !(0.0..=4.0 * radius).contains(&along);
                    assert!(free, "figure {seed}: a member at {p:?} before {mouth:?}");
                }
            }
        }
        // What begins on the rim itself can be held nowhere else.
        let all = done.report.all_findings();
        let told = all.iter().find(|f| f.code == FindingCode::Rim);
        let told = told.and_then(|f| f.value).unwrap_or(0.0);
        assert_eq!(told, f64::from(on_rims), "figure {seed}");
    }
}
