//! Boxes on plates: rows, and plates cut into boxes, whose optimum is known because it was made.

use crate::pack::{block, pack, setup};
use vatwright::passes::pack::Pack;
use vatwright::{Done, Part, Plate};

/// A seeded generator of numbers (Knuth's MMIX constants, from memory).
pub(crate) struct Random(pub(crate) u64);

impl Random {
    /// Uniform in 0..1.
    pub(crate) fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        (self.0 >> 33) as f64 / (1u64 << 31) as f64
    }

    /// Uniform among whole numbers below `n`.
    pub(crate) fn below(&mut self, n: usize) -> usize {
        (self.unit() * n as f64) as usize
    }
}

/// Fails unless everything is on the usable rectangle to the last bit; what is as wide as it may
/// be out by what turning rounds.
pub(crate) fn assert_inside(plate: &Plate, margin_mm: f64) {
    for p in &plate.placed {
        let b = p.bounds();
        for (k, size) in [plate.width_mm, plate.depth_mm].into_iter().enumerate() {
            let as_wide = b.max[k] - b.min[k] > size - 2.0 * margin_mm - 1e-9;
            let hair = if as_wide { 1e-12 } else { 0.0 };
            let name = &p.part.name;
            assert!(b.min[k] >= margin_mm - hair, "{name}: {:?} of {margin_mm}", b.min);
            assert!(b.max[k] <= size - margin_mm + hair, "{name}: {:?} of {size}", b.max);
        }
    }
}

/// Fails when the boxes of two parts come nearer than the gap along both axes.
fn assert_apart(plate: &Plate, gap_mm: f64) {
    let boxes: Vec<_> = plate
        .placed
        .iter()
        .map(|p| Plate { placed: vec![p.clone()], ..plate.clone() }.bounds())
        .collect();
    for (i, a) in boxes.iter().enumerate() {
        for b in &boxes[..i] {
            let along = |k: usize| (b.min[k] - a.max[k]).max(a.min[k] - b.max[k]);
            assert!(along(0).max(along(1)) >= gap_mm - 1e-9, "{a:?} {b:?}");
        }
    }
}

fn copies(name: &str, n: u32) -> std::collections::BTreeMap<String, u32> {
    [(name.to_string(), n)].into()
}

#[test]
fn boxes_stand_in_rows() {
    for (size, n, plate, margin_mm) in [
        // As wide as the plate to the last micrometre, then with a millimetre to spare.
        ([63.5, 38.5], 4, [130.0, 80.0], 1.0),
        ([63.5, 38.5], 4, [130.0, 80.0], 0.0),
        ([25.0, 15.0], 25, [130.0, 80.0], 0.0),
        ([9.1, 23.7], 27, [92.9, 75.0], 0.9),
    ] {
        let options = Pack { margin_mm, copies: copies("box", n), rounds: 0, ..Pack::default() };
        let parts = vec![block("box", size[0], size[1], 12.0)];
        let done = pack(&options, parts, setup(plate[0], plate[1]));
        assert_eq!(done.value.len(), 1, "{n} of {size:?} on {plate:?}");
        assert_inside(&done.value[0], margin_mm);
        assert_apart(&done.value[0], 1.0);
        assert!(done.report.numbers["gap_percent"].abs() < 1e-9);
    }
}

/// Cuts a rectangle in two again and again, by straight cuts as wide as the gap, into pieces.
fn guillotine(random: &mut Random, size: [f64; 2], gap_mm: f64, pieces: usize) -> Vec<[f64; 2]> {
    let mut out = vec![size];
    while out.len() < pieces {
        let area = |s: &[f64; 2]| s[0] * s[1];
        let k = (0..out.len()).max_by(|&a, &b| area(&out[a]).total_cmp(&area(&out[b]))).unwrap();
        let piece = out.swap_remove(k);
        let axis = if random.unit() < 0.5 * piece[0] / piece[1] { 0 } else { 1 };
        let first = (piece[axis] - gap_mm) * (0.25 + 0.5 * random.unit());
        let (mut a, mut b) = (piece, piece);
        a[axis] = first;
        b[axis] = piece[axis] - gap_mm - first;
        out.extend([a, b]);
    }
    out
}

/// Plates cut into boxes of falling height: each plate of the optimum is one of them again.
fn guillotine_set(seed: u64) -> (Vec<Part>, f64) {
    let mut random = Random(seed);
    for _ in 0..8 {
        random.unit();
    }
    let plates = 1 + random.below(2);
    let mut parts = Vec::new();
    let mut heights = 0.0;
    for p in 0..plates {
        let tallest = 40.0 - 15.0 * p as f64;
        heights += tallest;
        let pieces = 4 + random.below(9);
        for (i, s) in guillotine(&mut random, [128.0, 78.0], 1.0, pieces).into_iter().enumerate() {
            let low = if i == 0 { 0.0 } else { 10.0 * random.unit() };
            let size = if random.unit() < 0.5 { s } else { [s[1], s[0]] };
            parts.push(block(&format!("box {p} {i}"), size[0], size[1], tallest - low));
        }
    }
    for i in (1..parts.len()).rev() {
        parts.swap(i, random.below(i + 1));
    }
    (parts, heights)
}

/// Every plate is full to the last micrometre, so the sets are as hard as boxes get.
#[test]
fn plates_cut_into_boxes_are_found_again() {
    let (mut found, sets) = (0, 200);
    for seed in 0..sets {
        let (parts, heights) = guillotine_set(seed);
        let Done { value: plates, report } =
            pack(&Pack { rounds: 20, ..Pack::default() }, parts.clone(), setup(130.0, 80.0));
        assert_eq!(plates.iter().map(|p| p.placed.len()).sum::<usize>(), parts.len());
        for plate in &plates {
            assert_inside(plate, 1.0);
            assert_apart(plate, 1.0);
        }
        let got: f64 = plates.iter().map(Plate::height_mm).sum();
        found += usize::from(got <= heights + 1e-9);
        // What a perfect plan would take.
        let n = &report.numbers;
        assert!(n["bound_s"] <= n["time_s"] * (1.0 + 1e-12), "{seed}: {n:?}");
        if got <= heights + 1e-9 {
            assert!(n["gap_percent"] >= -1e-9);
        } else {
            let perfect = perfect_time_s(&parts);
            assert!(n["bound_s"] <= perfect, "{seed}: {} of {perfect}", n["bound_s"]);
        }
    }
    assert!(100 * found >= 95 * sets as usize, "{found} of {sets}");
}

/// Time of one plate for each set of heights that a cut plate gave.
fn perfect_time_s(parts: &[Part]) -> f64 {
    let options = Pack { max_parts: Some(1), rounds: 0, ..Pack::default() };
    let tallest = |p: char| {
        parts
            .iter()
            .filter(|q| q.name.chars().nth(4) == Some(p))
            .max_by(|a, b| a.bounds().max.z.total_cmp(&b.bounds().max.z))
    };
    let tallest: Vec<Part> = ['0', '1'].into_iter().filter_map(tallest).cloned().collect();
    pack(&options, tallest, setup(130.0, 80.0)).report.numbers["time_s"]
}
