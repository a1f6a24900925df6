//! Constants as intervals: between what bounds the numbers of a setup may truly lie, and setups drawn
//! from there.

use super::{Exposure, Machine, Resin, Setup};
use crate::error::{Error, Result};
use crate::options::{OptionDoc, Options, table};
use std::collections::BTreeMap;

/// Least and greatest value by group of the setup and field.
pub type Intervals = BTreeMap<String, BTreeMap<String, [f64; 2]>>;

/// The groups whose numbers may be uncertain.
const GROUPS: [(&str, &[OptionDoc]); 3] =
    [("machine", Machine::OPTIONS), ("resin", Resin::OPTIONS), ("exposure", Exposure::OPTIONS)];

/// Holds a setup's intervals against the numbers they belong to.
///
/// # Errors
/// [`Error::Config`] naming the interval that no constant has, or that does not hold its value.
pub(crate) fn check(setup: &Setup) -> Result<()> {
    let numbers = table(setup);
    for (group, fields) in &setup.intervals {
        for (field, &[low, high]) in fields {
            let wrong = |problem: String, remedy: &str| Error::Config {
                place: format!("intervals.{group}.{field}"),
                problem,
                remedy: remedy.into(),
            };
            let options = GROUPS.iter().find(|g| g.0 == group).map(|g| g.1);
            let option = options.and_then(|o| o.iter().find(|o| o.name == field));
            let value = option.and_then(|_| numbers[group].get(field)?.as_float());
            let Some((option, value)) = option.zip(value) else {
                let remedy = "name a number of machine, resin or exposure";
                return Err(wrong("the setup has no such constant".into(), remedy));
            };
            if !(low <= value && value <= high) {
                let problem = format!("[{low}, {high}] does not hold its value {value}");
                return Err(wrong(problem, "widen the interval, or set the value inside it"));
            }
            let (least, most) = option.range.unwrap_or((f64::NEG_INFINITY, f64::INFINITY));
            if low < least || high > most {
                let problem = format!("[{low}, {high}] leaves the range {least} to {most}");
                return Err(wrong(problem, "keep the interval inside the constant's range"));
            }
        }
    }
    Ok(())
}

/// A setup drawn from the intervals.
#[derive(Clone, Debug)]
pub(crate) struct DrawnSetup {
    pub(crate) setup: Setup,
    /// Where in its interval each constant lies, 0–1, in the order of the intervals.
    pub(crate) at: Vec<f64>,
}

/// Names of the uncertain constants, in order.
pub(crate) fn names(setup: &Setup) -> Vec<String> {
    let of = |(group, fields): (&String, &BTreeMap<String, [f64; 2]>)| {
        fields.keys().map(|field| format!("{group}.{field}")).collect::<Vec<_>>()
    };
    setup.intervals.iter().flat_map(of).collect()
}

/// Draws setups evenly from the intervals, independent of each other: quantities with a unit by
/// their logarithm, since factors are what laboratories differ by, shares and exponents as they
/// are. Always the same draws: the points of an additive recurrence on the roots of the plastic
/// number's kin (Roberts 2018, "The unreasonable effectiveness of quasirandom sequences", from
/// memory).
pub(crate) fn drawn(setup: &Setup, draws: usize) -> Vec<DrawnSetup> {
    let dimensions = names(setup).len();
    // The one positive root of x^(d+1) = x + 1.
    let mut root: f64 = 1.5;
    for _ in 0..64 {
        root = (1.0 + root).powf(1.0 / (dimensions as f64 + 1.0));
    }
    (0..draws)
        .map(|i| {
            let at: Vec<f64> = (1..=dimensions)
                .map(|k| (0.5 + (i + 1) as f64 * root.powi(-(k as i32))).fract())
                .collect();
            DrawnSetup { setup: placed(setup, &at), at }
        })
        .collect()
}

/// The setup whose constants lie at these places of their intervals.
fn placed(setup: &Setup, at: &[f64]) -> Setup {
    let mut numbers = table(setup);
    let mut at = at.iter();
    for (group, fields) in &setup.intervals {
        let options = GROUPS.iter().find(|g| g.0 == group).map_or(&[][..], |g| g.1);
        for (field, &[low, high]) in fields {
            let t = at.next().copied().unwrap_or(0.5);
            let has_unit = options.iter().any(|o| o.name == field && !o.unit.is_empty());
            let value = if has_unit && low > 0.0 {
                low * (high / low).powf(t)
            } else {
                low + (high - low) * t
            };
            if let Some(of) = numbers.get_mut(group).and_then(toml::Value::as_table_mut) {
                of.insert(field.clone(), toml::Value::Float(value));
            }
        }
    }
    numbers.try_into().unwrap_or_else(|_| setup.clone())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn draws_fill_the_intervals_evenly() {
        let setup = Setup::load("desk-50um").unwrap();
        let all = drawn(&setup, 200);
        for (k, name) in names(&setup).iter().enumerate() {
            let below = all.iter().filter(|d| d.at[k] < 0.25).count();
            assert!((45..=55).contains(&below), "{name}: {below} of 200 in the first quarter");
        }
        // The geometric mean of 12 and 33 kPa is the middle of that interval.
        let middle = (12.0_f64 * 33.0).sqrt();
        let half = all.iter().filter(|d| d.setup.machine.separation_kpa < middle).count();
        assert!((95..=105).contains(&half), "{half}");
        assert!(all.iter().all(|d| d.setup.validate().is_ok()));
    }

    #[test]
    fn an_interval_belongs_to_a_constant_and_holds_its_value() {
        for (text, says) in [
            ("[intervals.resin]\nstrength = [1.0, 2.0]", "no such constant"),
            ("[intervals.limits]\nsafety = [1.0, 2.0]", "no such constant"),
            ("[intervals.resin]\ngreen_strength_mpa = [1.0, 2.0]", "does not hold its value 20"),
            ("[intervals.resin]\ngreen_strength_mpa = [0.0, 30.0]", "leaves the range"),
        ] {
            let refused = Setup::from_toml(text, "mine").unwrap_err().to_string();
            assert!(refused.contains(says), "{refused}");
        }
        let mine = "[intervals.resin]\ngreen_strength_mpa = [14.0, 28.0]";
        let setup = Setup::from_toml(mine, "mine").unwrap();
        assert_eq!(Setup::from_toml(&setup.to_toml(), "mine").unwrap(), setup);
    }
}
