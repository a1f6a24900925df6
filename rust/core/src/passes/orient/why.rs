//! Why a pose was chosen, in words.

use super::choose::{Scale, ranked};
use super::{Candidate, Orient, Search};
use crate::appearance::Appearance;
use crate::mesh::Vector;

/// Poses closer than this are one pose, degrees.
const SAME_DEG: f64 = 20.0;
/// Terms told.
const TOLD: usize = 3;

/// How the part stands when the chosen `up` is turned to +z, and which terms set it apart from the
/// best pose that is clearly another one. Where all that were judged finely are one pose, the
/// coarse judgements of it and of the next best speak.
pub(super) fn words(found: &Search, orient: &Orient, scale: &Scale, seen: &Appearance) -> String {
    let chosen = &found.fine[0];
    let degrees = |c: &Candidate| chosen.up.dot(&c.up).clamp(-1.0, 1.0).acos().to_degrees();
    let mut said = stance(&chosen.up, seen);
    let finely = found.fine.iter().find(|c| degrees(c) > SAME_DEG).map(|c| (chosen, c));
    let coarsely = || {
        let by_angle = |a: &&Candidate, b: &&Candidate| degrees(a).total_cmp(&degrees(b));
        let own = found.coarse.iter().min_by(by_angle)?;
        let order = ranked(&found.coarse, orient).into_iter().map(|i| &found.coarse[i]);
        Some((own, order.into_iter().find(|c| degrees(c) > SAME_DEG)?))
    };
    let Some((best, other)) = finely.or_else(coarsely) else {
        return said + "no clearly different pose was judged";
    };
    said += &format!("the next best pose, {:.0}° away, ", degrees(other));
    if best.admissible && !other.admissible {
        return said + "does not fit the machine or puts tips on keep-clean facets";
    }
    let costs = |c: &Candidate| scale.shares(&c.terms, &orient.weights);
    let mut more: Vec<_> = costs(best)
        .into_iter()
        .zip(costs(other))
        .map(|(a, b)| (b.cost - a.cost, a, b))
        .filter(|m| m.0 > 0.005 * best.score)
        .collect();
    more.sort_by(|a, b| b.0.total_cmp(&a.0));
    if more.is_empty() {
        return said + "costs as much";
    }
    let told: Vec<String> = more
        .iter()
        .take(TOLD)
        .map(|(_, a, b)| format!("{} {} instead of {}", a.what, b.amount(), a.amount()))
        .collect();
    said + &format!(
        "would cost {:.0} % more: {}",
        100.0 * (other.score / best.score - 1.0),
        told.join("; ")
    )
}

/// How the part stands, if it is known what is up.
fn stance(up: &Vector, seen: &Appearance) -> String {
    let Some(own) = &seen.upright else { return String::new() };
    let tilt = up.dot(&own.up).clamp(-1.0, 1.0).acos().to_degrees();
    let level = up - own.up * up.dot(&own.up);
    let back = seen.front.zip(level.try_normalize(1e-6)).map(|(front, l)| front.dot(&l));
    match (tilt, back) {
        (0.0..2.0, _) => "it stands upright; ".into(),
        (_, Some(0.5..)) => format!("it leans back {tilt:.0}°; "),
        (_, Some(..=-0.5)) => format!("it leans forward {tilt:.0}°; "),
        _ => format!("it leans {tilt:.0}°; "),
    }
}
