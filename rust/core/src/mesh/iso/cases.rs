//! How the surface runs through one cell: which of its edge crossings belong to one sheet.
//!
//! The table is built by walking faces, so that two cells always agree on the face they share.
//! A face whose corners alternate can be paired in two ways; by rule each positive corner is cut
//! off on its own. Two neighbours that both join the two cuts of their common face to one sheet
//! would meet in one edge four times; then both pair that face the other way, which parts the
//! sheets (the observation of Wenger, *Isosurfaces*, 2013, from memory). At most one face of a
//! cell is of that kind, which [`tests`] proves by enumeration.

use std::sync::LazyLock;

/// Corner `c` lies at (c & 1, c >> 1 & 1, c >> 2 & 1). Edge `4·a + u + 2·v` runs along axis `a`
/// at offsets u, v on the next two axes. Face `2·a + s` lies at offset s on axis a.
pub(super) fn edge_corner(edge: usize) -> usize {
    let (a, u, v) = (edge / 4, edge & 1, edge >> 1 & 1);
    (u << ((a + 1) % 3)) | (v << ((a + 2) % 3))
}

/// Sheets of one cell.
#[derive(Clone, Copy)]
pub(super) struct CubeCase {
    /// Sheet of each edge; [`CubeCase::NONE`] where the edge has no crossing.
    pub(super) sheet: [u8; 12],
    /// Number of sheets.
    pub(super) sheets: u8,
}

impl CubeCase {
    pub(super) const NONE: u8 = u8::MAX;
}

/// The face (0..6) of a sign pattern whose two cuts lie on one sheet, 6 for none.
pub(super) static JOINED_FACE: LazyLock<[u8; 256]> = LazyLock::new(|| {
    std::array::from_fn(|signs| {
        let case = build(signs as u8, 6);
        (0..6).find(|&f| joined(signs as u8, f, &case)).unwrap_or(6) as u8
    })
});

static CASES: LazyLock<Vec<CubeCase>> =
    LazyLock::new(|| (0..7 * 256).map(|i| build((i % 256) as u8, i / 256)).collect());

/// Sheets for a pattern of signs (bit c set: corner c positive) with one face (6: none) paired
/// the other way.
pub(super) fn case(signs: u8, turned_face: u8) -> &'static CubeCase {
    &CASES[usize::from(turned_face) * 256 + usize::from(signs)]
}

/// Corners of a face in order around it.
fn face_corners(face: usize) -> [usize; 4] {
    let (a, side) = (face / 2, face & 1);
    let (u, v) = (1 << ((a + 1) % 3), 1 << ((a + 2) % 3));
    [0, u, u | v, v].map(|c| c | side << a)
}

fn edge_between(c: usize, d: usize) -> usize {
    let axis = (c ^ d).trailing_zeros() as usize;
    let low = c & d;
    4 * axis + (low >> ((axis + 1) % 3) & 1) + 2 * (low >> ((axis + 2) % 3) & 1)
}

fn positive(signs: u8, corner: usize) -> bool {
    signs >> corner & 1 == 1
}

/// The cuts of a face as pairs of edges.
fn cuts(signs: u8, face: usize, turned: bool) -> Vec<(usize, usize)> {
    let c = face_corners(face);
    let crossed: Vec<usize> =
        (0..4).filter(|&i| positive(signs, c[i]) != positive(signs, c[(i + 1) % 4])).collect();
    let edge = |i: usize| edge_between(c[i % 4], c[(i + 1) % 4]);
    match crossed.len() {
        0 => vec![],
        2 => vec![(edge(crossed[0]), edge(crossed[1]))],
        // corner i lies between edges i − 1 and i
        _ => (0..4)
            .filter(|&i| positive(signs, c[i]) != turned)
            .map(|i| (edge(i + 3), edge(i)))
            .collect(),
    }
}

fn joined(signs: u8, face: usize, case: &CubeCase) -> bool {
    let c = cuts(signs, face, false);
    c.len() == 2 && case.sheet[c[0].0] == case.sheet[c[1].0]
}

fn build(signs: u8, turned_face: usize) -> CubeCase {
    let mut root: [usize; 12] = std::array::from_fn(|e| e);
    let mut crossed = [false; 12];
    for face in 0..6 {
        for (a, b) in cuts(signs, face, face == turned_face) {
            (crossed[a], crossed[b]) = (true, true);
            let (ra, rb) = (root[a], root[b]);
            root.iter_mut().filter(|r| **r == rb).for_each(|r| *r = ra);
        }
    }
    let mut case = CubeCase { sheet: [CubeCase::NONE; 12], sheets: 0 };
    for e in 0..12 {
        if crossed[e] && case.sheet[e] == CubeCase::NONE {
            for f in e..12 {
                if crossed[f] && root[f] == root[e] {
                    case.sheet[f] = case.sheets;
                }
            }
            case.sheets += 1;
        }
    }
    case
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn at_most_one_face_joins_and_turning_it_parts_it() {
        for signs in 0..=255u8 {
            let plain = build(signs, 6);
            let faces: Vec<usize> = (0..6).filter(|&f| joined(signs, f, &plain)).collect();
            assert!(faces.len() <= 1, "{signs:08b}: {faces:?}");
            for &face in &faces {
                let turned = build(signs, face);
                assert_eq!(turned.sheets, plain.sheets + 1);
                for f in 0..6 {
                    let c = cuts(signs, f, f == face);
                    assert!(c.len() < 2 || turned.sheet[c[0].0] != turned.sheet[c[1].0]);
                }
            }
        }
    }

    #[test]
    fn every_crossed_edge_has_a_sheet() {
        for signs in 0..=255u8 {
            for turned in 0..7 {
                for (e, sheet) in case(signs, turned).sheet.iter().enumerate() {
                    let low = edge_corner(e);
                    let crossed = positive(signs, low) != positive(signs, low | 1 << (e / 4));
                    assert_eq!(*sheet != CubeCase::NONE, crossed);
                }
            }
        }
    }
}
