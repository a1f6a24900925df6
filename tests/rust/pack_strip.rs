//! Irregular strip packing on published instances, at a small budget; the example `strip` runs
//! them at full budget. Best known densities: Gardeyn et al. 2025, arXiv 2509.13329.

use crate::common::shared;
use crate::plane::{ring_distance, ring_placed};
use vatwright::passes::pack::{Budget, Point2, StripTask, strip};
use vatwright::{Context, Error, Setup};

fn instance(file: &std::path::Path) -> StripTask {
    let json: serde_json::Value =
        serde_json::from_str(&std::fs::read_to_string(file).unwrap()).unwrap();
    let items = json["items"].as_array().unwrap();
    let outlines = items
        .iter()
        .map(|i| {
            let mut ring: Vec<Point2> = serde_json::from_value(i["shape"]["data"].clone()).unwrap();
            ring.pop(); // the first corner again
            (ring, i["demand"].as_u64().unwrap() as usize)
        })
        .collect();
    StripTask {
        outlines,
        width_mm: json["strip_height"].as_f64().unwrap(),
        turns: items[0]["allowed_orientations"].as_array().unwrap().len(),
        gap_mm: 0.0,
        seed: 1,
        budget: Budget::Rounds(800),
    }
}

#[test]
fn published_instances_are_packed_densely_and_without_overlap() {
    for (name, best) in
        [("fu", 0.92396), ("shapes0", 0.69978), ("albano", 0.89821), ("blaz1", 0.86224)]
    {
        let Some(file) = shared(&format!("nesting/{name}.json")) else { return };
        let task = instance(&file);
        let done = strip(&task, &Context::new(Setup::default())).unwrap();
        assert!(done.density > 0.85 * best, "{name}: {} of {best}", done.density);

        let wanted: usize = task.outlines.iter().map(|o| o.1).sum();
        assert_eq!(done.laid.len(), wanted);
        let rings: Vec<Vec<Point2>> = done
            .laid
            .iter()
            .map(|l| ring_placed(&task.outlines[l.outline].0, l.turn_deg, [l.x_mm, l.y_mm]))
            .collect();
        let hair = 1e-9 * done.length_mm;
        for (i, a) in rings.iter().enumerate() {
            for p in a {
                assert!((-hair..=done.length_mm + hair).contains(&p[0]), "{name}: {p:?}");
                assert!((-hair..=task.width_mm + hair).contains(&p[1]), "{name}: {p:?}");
            }
            for b in &rings[..i] {
                assert!(ring_distance(a, b) > 0.0, "{name}");
            }
        }
    }
}

/// Sixteen unit squares of a 4 × 4 square: a strip 4 wide cannot be shorter than 4.
#[test]
fn squares_fill_a_strip() {
    let square = vec![[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]];
    let task = StripTask {
        outlines: vec![(square, 16)],
        width_mm: 4.0001,
        turns: 1,
        gap_mm: 0.0,
        seed: 3,
        budget: Budget::Rounds(0),
    };
    let done = strip(&task, &Context::new(Setup::default())).unwrap();
    assert!((4.0..4.001).contains(&done.length_mm), "{}", done.length_mm);
    let narrow = StripTask { width_mm: 0.5, ..task };
    assert!(matches!(strip(&narrow, &Context::new(Setup::default())), Err(Error::Value { .. })));
}

/// Discs with a gap: two rows of hexagonal packing are as long as geometry says.
#[test]
fn a_gap_is_kept_and_not_wasted() {
    let disc: Vec<Point2> = (0..64)
        .map(|i| {
            let a = f64::from(i) * std::f64::consts::TAU / 64.0;
            [5.0 * a.cos(), 5.0 * a.sin()]
        })
        .collect();
    let task = StripTask {
        outlines: vec![(disc.clone(), 2)],
        width_mm: 10.0,
        turns: 1,
        gap_mm: 2.0,
        seed: 1,
        budget: Budget::Rounds(0),
    };
    let done = strip(&task, &Context::new(Setup::default())).unwrap();
    let at = |i: usize| ring_placed(&disc, 0.0, [done.laid[i].x_mm, done.laid[i].y_mm]);
    let apart = ring_distance(&at(0), &at(1));
    assert!((2.0 - 1e-6..2.05).contains(&apart), "{apart}");
    assert!(done.length_mm < 22.05);
}
