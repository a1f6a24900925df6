//! The watch list: the few moments at which it is worth pausing to look.

use super::Profile;
use crate::finding::{Finding, Moment, Severity};
use crate::setup::Setup;

/// Moments that a person will follow.
const MOST: usize = 8;
/// Moments nearer than this are one look, mm.
const APART_MM: f64 = 1.0;
/// A risk steps up when it grows by this part of its greatest value within [`APART_MM`].
const STEP: f64 = 0.25;

/// Picks them: the end of the first layers, where findings begin, where pull steps up.
pub(super) fn moments(profile: &Profile, findings: &[Finding], setup: &Setup) -> Vec<Moment> {
    let n = profile.len() as u32;
    if n == 0 {
        return Vec::new();
    }
    // In the order of importance; the list is cut before it is sorted by time.
    let mut wanted: Vec<(u32, String)> = Vec::new();
    let first = setup.exposure.first_layers;
    if (1..n).contains(&first) {
        wanted.push((first - 1, "the first layers are done: look whether all sticks".into()));
    }
    for severity in [Severity::Fault, Severity::Warning] {
        for f in findings.iter().filter(|f| f.severity == severity) {
            // A few layers on, what went wrong shows.
            if let Some((from, _)) = f.layers {
                wanted.push((from.min(n - 1), format!("{}: {}", f.code, f.message)));
            }
        }
    }
    let window = (APART_MM / setup.exposure.layer_mm).ceil() as u32;
    let pull: Vec<f64> = (0..n).map(|k| profile.pull_n(k)).collect();
    let peak = pull.iter().copied().fold(0.0, f64::max);
    let mut steps: Vec<(f64, u32)> = (first.max(1)..n)
        .map(|k| (pull[k as usize] - pull[k.saturating_sub(window) as usize], k))
        .filter(|s| s.0 > STEP * peak)
        .collect();
    steps.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
    for (by, k) in steps {
        wanted.push((k, format!("the pull rises by {by:.1} N to {:.1} N", pull[k as usize])));
    }
    let mut out: Vec<Moment> = Vec::new();
    for (layer, why) in wanted {
        let close = |m: &Moment| m.layer.abs_diff(layer) < window;
        if out.len() < MOST && !out.iter().any(close) {
            out.push(Moment { layer, time_s: profile.clock_s[layer as usize], why });
        }
    }
    out.sort_by_key(|m| m.layer);
    out
}
