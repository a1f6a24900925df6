//! Boxes in a rectangle: rows, shelves, and whatever else straight edges allow.
//!
//! The search for outlines walks past layouts in which everything lines up. Boxes are laid in
//! order instead: the lowest gap of the skyline is filled from its left end, or left free as long
//! as all that is left free stays below what the rectangle can spare. Every layout without free
//! area can be built so, and one with some nearly always (after Lesh et al. 2004, Inf. Process.
//! Lett. 90:7, who branch and bound in this order).

use super::polygon::Point2;

/// A box at its place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct LaidBox {
    /// Corner with the least coordinates.
    pub(super) at: Point2,
    /// Whether it lies the other way.
    pub(super) turned: bool,
}

/// Orders in which boxes are tried, each with the rectangle both ways.
const ORDERS: [fn(Point2) -> f64; 3] = [|s| s[0] * s[1], |s| s[0], |s| s[1]];

/// Lays all boxes in the rectangle within `steps` steps of search, if it finds a way. A box that
/// sticks out by less than `slack` fits.
pub(super) fn lay_boxes(
    sizes: &[Point2],
    may_turn: bool,
    room: Point2,
    slack: f64,
    steps: usize,
) -> Option<Vec<LaidBox>> {
    let spare = room[0] * room[1] - sizes.iter().map(|s| s[0] * s[1]).sum::<f64>();
    if spare < -slack * (room[0] + room[1]) {
        return None;
    }
    for other_way in [false, true] {
        let flip = |p: Point2| if other_way { [p[1], p[0]] } else { p };
        for order in ORDERS {
            let sizes: Vec<Point2> = sizes.iter().map(|&s| flip(s)).collect();
            let mut search = Skyline::new(&sizes, may_turn, flip(room), slack, order);
            search.steps = steps / (2 * ORDERS.len());
            if search.fill() {
                let mut laid = search.laid();
                laid.iter_mut().for_each(|b| b.at = flip(b.at));
                return Some(laid);
            }
        }
    }
    None
}

/// A level stretch of the skyline.
#[derive(Clone, Copy, Debug)]
struct Level {
    x: f64,
    y: f64,
    width: f64,
}

/// Boxes of one size.
struct Alike {
    size: Point2,
    members: Vec<usize>,
}

struct Skyline {
    room: Point2,
    slack: f64,
    /// Sorted as they are tried.
    alike: Vec<Alike>,
    may_turn: bool,
    /// Members of each that are laid.
    used: Vec<usize>,
    levels: Vec<Level>,
    /// Area that may still be left free.
    spare: f64,
    stack: Vec<(usize, LaidBox)>,
    left: usize,
    steps: usize,
}

impl Skyline {
    fn new(
        sizes: &[Point2],
        may_turn: bool,
        room: Point2,
        slack: f64,
        order: fn(Point2) -> f64,
    ) -> Skyline {
        let mut alike: Vec<Alike> = Vec::new();
        for (i, &size) in sizes.iter().enumerate() {
            match alike.iter_mut().find(|a| a.size == size) {
                Some(a) => a.members.push(i),
                None => alike.push(Alike { size, members: vec![i] }),
            }
        }
        alike.sort_by(|a, b| order(b.size).total_cmp(&order(a.size)));
        let area: f64 = sizes.iter().map(|s| s[0] * s[1]).sum();
        Skyline {
            room,
            slack,
            used: vec![0; alike.len()],
            alike,
            may_turn,
            levels: vec![Level { x: 0.0, y: 0.0, width: room[0] }],
            spare: room[0] * room[1] - area + slack * (room[0] + room[1]),
            stack: Vec::new(),
            left: sizes.len(),
            steps: 0,
        }
    }

    /// Lays what is left; false when the steps are over or there is no way.
    fn fill(&mut self) -> bool {
        if self.left == 0 {
            return true;
        }
        if self.steps == 0 {
            return false;
        }
        self.steps -= 1;
        let lowest = |a: &usize, b: &usize| self.levels[*a].y.total_cmp(&self.levels[*b].y);
        let i = (0..self.levels.len()).min_by(lowest).expect("a skyline has a level");
        let Level { x, y, width } = self.levels[i];
        let mut fits: Vec<(bool, usize, bool)> = Vec::new();
        for (k, a) in self.alike.iter().enumerate() {
            let ways = if self.may_turn && a.size[0] != a.size[1] { 2 } else { 1 };
            for turned in [false, true].into_iter().take(ways) {
                let [w, h] = turned_size(a.size, turned);
                let free = width - w;
                if self.used[k] < a.members.len()
                    && free >= -self.slack
                    && y + h <= self.room[1] + self.slack
                {
                    fits.push((free > self.slack, k, turned));
                }
            }
        }
        // What fills the gap from end to end comes first.
        fits.sort_by_key(|f| f.0);
        for (_, k, turned) in fits {
            let [w, h] = turned_size(self.alike[k].size, turned);
            let before = self.levels.clone();
            self.raise(i, w, h);
            self.used[k] += 1;
            self.left -= 1;
            self.stack.push((k, LaidBox { at: [x, y], turned }));
            if self.fill() {
                return true;
            }
            self.stack.pop();
            self.left += 1;
            self.used[k] -= 1;
            self.levels = before;
        }
        // Left free up to the lower neighbour.
        let neighbours = [i.checked_sub(1), Some(i + 1)].into_iter().flatten();
        let next = neighbours.filter_map(|k| self.levels.get(k)).map(|l| l.y);
        let next = next.fold(f64::INFINITY, f64::min);
        let free = width * (next - y);
        if free > self.spare {
            return false;
        }
        let before = self.levels.clone();
        self.spare -= free;
        self.raise(i, width, next - y);
        let done = self.fill();
        if !done {
            self.levels = before;
            self.spare += free;
        }
        done
    }

    /// Raises a level by `h` over `w` from its left end, and joins levels of one height.
    fn raise(&mut self, i: usize, w: f64, h: f64) {
        let level = &mut self.levels[i];
        let top = Level { y: level.y + h, width: w, ..*level };
        if level.width - w <= self.slack {
            *level = Level { width: level.width, ..top };
        } else {
            *level = Level { x: level.x + w, width: level.width - w, y: level.y };
            self.levels.insert(i, top);
        }
        let slack = self.slack;
        self.levels.dedup_by(|b, a| {
            let same = (a.y - b.y).abs() <= slack;
            if same {
                a.width += b.width;
                a.y = a.y.max(b.y);
            }
            same
        });
    }

    /// The boxes in the order in which they were given.
    fn laid(&self) -> Vec<LaidBox> {
        let mut used = vec![0; self.alike.len()];
        let mut laid: Vec<(usize, LaidBox)> = self
            .stack
            .iter()
            .map(|&(k, b)| {
                used[k] += 1;
                (self.alike[k].members[used[k] - 1], b)
            })
            .collect();
        laid.sort_by_key(|l| l.0);
        laid.into_iter().map(|l| l.1).collect()
    }
}

fn turned_size(size: Point2, turned: bool) -> Point2 {
    if turned { [size[1], size[0]] } else { size }
}

#[cfg(test)]
mod tests {
    use super::super::rng::Rng;
    use super::*;

    /// A rectangle cut in two again and again is put together again.
    #[test]
    fn a_cut_rectangle_is_laid_again() {
        let mut rng = Rng::new(3);
        let mut found = 0;
        for _ in 0..100 {
            let room = [131.0, 81.0];
            let mut sizes: Vec<Point2> = vec![room];
            while sizes.len() < 12 {
                let k = (0..sizes.len())
                    .max_by(|&a, &b| {
                        let area = |k: usize| sizes[k][0] * sizes[k][1];
                        area(a).total_cmp(&area(b))
                    })
                    .unwrap();
                let s = sizes.swap_remove(k);
                let axis = usize::from(s[1] > s[0]);
                let (mut a, mut b) = (s, s);
                a[axis] *= rng.between(0.25, 0.75);
                b[axis] -= a[axis];
                sizes.extend([a, b]);
            }
            let Some(laid) = lay_boxes(&sizes, true, room, 1e-9, 60_000) else { continue };
            found += 1;
            let corners: Vec<[f64; 4]> = laid
                .iter()
                .zip(&sizes)
                .map(|(b, &s)| {
                    let s = turned_size(s, b.turned);
                    [b.at[0], b.at[1], b.at[0] + s[0], b.at[1] + s[1]]
                })
                .collect();
            for (i, a) in corners.iter().enumerate() {
                assert!(a[0] >= 0.0 && a[1] >= 0.0);
                assert!(a[2] <= room[0] + 1e-8 && a[3] <= room[1] + 1e-8);
                for b in &corners[..i] {
                    let apart = |k: usize| a[k] >= b[k + 2] - 1e-8 || b[k] >= a[k + 2] - 1e-8;
                    assert!(apart(0) || apart(1));
                }
            }
        }
        assert!(found >= 98, "{found}");
    }
}
