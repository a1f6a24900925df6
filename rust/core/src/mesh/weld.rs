//! Merges corners that are the same point, so that triangles read one by one share vertices.

use super::{Mesh, Point};
use std::collections::HashMap;

const EMPTY: u32 = u32::MAX;

/// Gives equal points the same index. Points are equal when their coordinates are (so −0 is 0).
pub(crate) struct Welder {
    slots: Vec<u32>,
    vertices: Vec<Point>,
}

impl Welder {
    /// A welder for a mesh of about so many triangles; closed meshes have half as many vertices.
    pub(crate) fn for_triangles(triangles: usize) -> Welder {
        let slots = vec![EMPTY; triangles.max(8).next_power_of_two()];
        Welder { slots, vertices: Vec::with_capacity(triangles / 2 + 2) }
    }

    /// Index of the point, new or known.
    pub(crate) fn index(&mut self, p: Point) -> u32 {
        // Adding +0 turns −0 into +0 and leaves all other numbers alone.
        let p = p.map(|c| c + 0.0);
        let mask = self.slots.len() - 1;
        let mut slot = hash(&p) as usize & mask;
        loop {
            match self.slots[slot] {
                EMPTY => break,
                i if self.vertices[i as usize] == p => return i,
                _ => slot = (slot + 1) & mask,
            }
        }
        let i = self.vertices.len() as u32;
        self.slots[slot] = i;
        self.vertices.push(p);
        if self.vertices.len() * 2 > self.slots.len() {
            self.grow();
        }
        i
    }

    fn grow(&mut self) {
        self.slots = vec![EMPTY; self.slots.len() * 2];
        let mask = self.slots.len() - 1;
        for (i, p) in self.vertices.iter().enumerate() {
            let mut slot = hash(p) as usize & mask;
            while self.slots[slot] != EMPTY {
                slot = (slot + 1) & mask;
            }
            self.slots[slot] = i as u32;
        }
    }

    /// The distinct points, in the order they first came.
    pub(crate) fn into_vertices(self) -> Vec<Point> {
        self.vertices
    }
}

/// Mixes the bits by two multiplications, each folded from 128 to 64 bits.
fn hash(p: &Point) -> u64 {
    let fold = |a: u64, b: u64| {
        let m = u128::from(a) * u128::from(b);
        (m as u64) ^ (m >> 64) as u64
    };
    let [x, y, z] = [p.x, p.y, p.z].map(f64::to_bits);
    fold(
        fold(x ^ 0x9e37_79b9_7f4a_7c15, y ^ 0xd1b5_4a32_d192_ed03) ^ z.rotate_left(32),
        0x8cb9_2ba7_2f3d_8dd7,
    )
}

/// Maps every candidate to the first candidate at most `near_mm` away that was not itself mapped
/// to another, every other vertex to itself. Depends on the order of the vertices alone.
pub(crate) fn merge_near(
    vertices: &[Point],
    candidates: impl IntoIterator<Item = u32>,
    near_mm: f64,
) -> Vec<u32> {
    let mut map: Vec<u32> = (0..vertices.len() as u32).collect();
    // A ball of that radius meets at most two of these cells along each axis.
    let cell = 2.0 * near_mm;
    let mut cells: HashMap<[u64; 3], Vec<u32>> = HashMap::new();
    for v in candidates {
        let p = vertices[v as usize];
        let key = |dx: f64, dy: f64, dz: f64| {
            [p.x + dx, p.y + dy, p.z + dz].map(|c| ((c / cell).floor() + 0.0).to_bits())
        };
        let mut first = EMPTY;
        for corner in 0..8 {
            let side = |bit: u32| if corner >> bit & 1 == 0 { -near_mm } else { near_mm };
            for &w in cells.get(&key(side(0), side(1), side(2))).into_iter().flatten() {
                if w < first && (vertices[w as usize] - p).norm() <= near_mm {
                    first = w;
                }
            }
        }
        if first == EMPTY {
            cells.entry(key(0.0, 0.0, 0.0)).or_default().push(v);
        } else {
            map[v as usize] = first;
        }
    }
    map
}

impl Mesh {
    /// The mesh with equal vertices made one, and beyond that those at most `near_mm` apart: each
    /// becomes the first such vertex. Triangles keep their number and order.
    pub fn welded(self, near_mm: f64) -> Mesh {
        let Mesh { name, vertices, mut triangles, notes } = self;
        let map = if near_mm > 0.0 {
            merge_near(&vertices, 0..vertices.len() as u32, near_mm)
        } else {
            (0..vertices.len() as u32).collect()
        };
        let mut welder = Welder::for_triangles(2 * vertices.len());
        let index: Vec<u32> = map.iter().map(|&v| welder.index(vertices[v as usize])).collect();
        for v in triangles.as_flattened_mut() {
            *v = index[*v as usize];
        }
        Mesh { name, vertices: welder.into_vertices(), triangles, notes }
    }
}
