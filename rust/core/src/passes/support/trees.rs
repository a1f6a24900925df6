//! Columns that run close together join into a trunk where that saves resin.
//!
//! From the highest head downward, each looks for the neighbour with which a common trunk needs
//! the least resin. A trunk of n columns is n^¼ times as thick as one: its second moment of area is
//! the sum of theirs, so it buckles no earlier than they would, and needs √n of one's resin.

use super::Support;
use super::probe::Probe;
use super::ways::Ways;
use crate::mesh::{Point, Vector};
use crate::part::{Member, Supports};
use std::collections::BTreeMap;

/// Most columns in a trunk: beyond that one broken foot would drop too much.
const MOST: u32 = 6;
/// How far heads may be apart to join, mm.
const NEAR_MM: f64 = 8.0;
/// Least part of the resin that a trunk must save.
const WORTH: f64 = 0.05;
/// Least height of a trunk, mm.
const LEAST_MM: f64 = 1.0;
/// Least reach of a branch, mm.
const SHORTEST_MM: f64 = 0.1;

/// The upper end of something that must still be led down.
#[derive(Clone, Copy)]
struct Head {
    node: u32,
    place: Point,
    columns: u32,
}

pub(super) struct Trees<'a> {
    pub(super) options: &'a Support,
    pub(super) probe: &'a Probe,
    /// Ways for single columns and for the thickest trunks.
    pub(super) thin: &'a Ways,
    pub(super) thick: &'a Ways,
    pub(super) floor_mm: f64,
}

impl Support {
    /// Distance that the axis of the thickest trunk keeps from the part, mm.
    pub(super) fn trunk_clear_mm(&self) -> f64 {
        self.trunk_mm(MOST) / 2.0 + self.gap_mm
    }
}

impl Trees<'_> {
    /// Leads heads (nodes of `s`) down to the base, alone or joined.
    pub(super) fn lead_down(&self, s: &mut Supports, heads: &[u32]) {
        // Highest first; equal heights in the order given. Keys are unique by the node.
        let key = |h: &Head| (std::cmp::Reverse(order(h.place.z)), h.node);
        let mut open: BTreeMap<_, Head> = BTreeMap::new();
        let mut cells = Cells::default();
        for &node in heads {
            let head = Head { node, place: s.nodes[node as usize], columns: 1 };
            cells.add(&head);
            open.insert(key(&head), head);
        }
        while let Some((_, head)) = open.pop_first() {
            cells.remove(&head);
            let joined = self.partner(&head, &cells, s);
            let Some((other, joint)) = joined else {
                self.root(s, &head);
                continue;
            };
            let partner = cells.get(other, s);
            open.remove(&key(&partner));
            cells.remove(&partner);
            let columns = head.columns + partner.columns;
            // A joint on the partner's own head takes that node.
            let node = if (joint - partner.place).norm() < 1e-9 {
                partner.node
            } else {
                s.nodes.push(joint);
                s.nodes.len() as u32 - 1
            };
            for h in [head, partner] {
                if h.node != node {
                    let diameter_mm = self.options.slender_mm(h.columns, (h.place - joint).norm());
                    s.members.push(Member { a: h.node, b: node, diameter_mm });
                }
            }
            let trunk = Head { node, place: joint, columns };
            cells.add(&trunk);
            open.insert(key(&trunk), trunk);
        }
    }

    /// The partner and joint that save most, if any saves enough.
    fn partner(&self, head: &Head, cells: &Cells, s: &Supports) -> Option<(u32, Point)> {
        let o = self.options;
        let resin = |columns: u32, length: f64| o.slender_mm(columns, length).powi(2) * length;
        let alone = |h: &Head| resin(h.columns, h.place.z - self.floor_mm);
        let mut options: Vec<(f64, u32, Point)> = Vec::new();
        for other in cells.near(&head.place, s) {
            let columns = head.columns + other.columns;
            if columns > MOST {
                continue;
            }
            let Some(joint) = meeting(&head.place, &other.place, o.column_deg) else { continue };
            if joint.z - self.floor_mm < LEAST_MM {
                continue;
            }
            let joined = resin(head.columns, (head.place - joint).norm())
                + resin(other.columns, (other.place - joint).norm())
                + resin(columns, joint.z - self.floor_mm);
            let saved = 1.0 - joined / (alone(head) + alone(&other));
            if saved > WORTH {
                options.push((saved, other.node, joint));
            }
        }
        options.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
        let clear = |h: &Head, joint: &Point| {
            let radius = o.trunk_mm(h.columns) / 2.0 + o.gap_mm;
            (h.place - joint).norm() < 1e-9 || self.probe.clear(&h.place, joint, radius)
        };
        options.into_iter().take(6).find_map(|(_, node, joint)| {
            let other = cells.get(node, s);
            let free = self.thick.is_open(&joint) && clear(head, &joint) && clear(&other, &joint);
            free.then_some((node, joint))
        })
    }

    /// Leads a trunk or lone column to its foot.
    fn root(&self, s: &mut Supports, head: &Head) {
        let o = self.options;
        let ways = if head.columns == 1 { self.thin } else { self.thick };
        let whole = head.place.z - self.floor_mm;
        let diameter_mm = o.slender_mm(head.columns, whole);
        let path = self.tightened(ways.down(&head.place), diameter_mm / 2.0 + o.gap_mm);
        let mut last = head.node;
        for p in &path[1..] {
            let node = s.nodes.len() as u32;
            s.nodes.push(*p);
            s.members.push(Member { a: last, b: node, diameter_mm });
            last = node;
        }
        s.feet.push(last);
    }

    /// The path with corners cut where the straight way is steep and clear.
    fn tightened(&self, path: Vec<Point>, clear_mm: f64) -> Vec<Point> {
        let steep = |a: &Point, b: &Point| {
            let d: Vector = a - b;
            d.z >= d.x.hypot(d.y) * self.options.column_deg.to_radians().tan() - 1e-9
        };
        let mut out = vec![path[0]];
        let mut i = 0;
        while i + 1 < path.len() {
            let far = (i + 2..path.len()).rev().find(|&j| {
                steep(&path[i], &path[j]) && self.probe.clear(&path[i], &path[j], clear_mm)
            });
            i = far.unwrap_or(i + 1);
            out.push(path[i]);
        }
        out
    }
}

/// Makes every way down at least as thick as what stands on it, so that no joint is wider than its
/// carrier.
pub(super) fn never_thinner_below(s: &mut Supports) {
    let mut order: Vec<u32> = (0..s.nodes.len() as u32).collect();
    order.sort_by(|&a, &b| s.nodes[b as usize].z.total_cmp(&s.nodes[a as usize].z).then(a.cmp(&b)));
    let mut above = vec![0.0_f64; s.nodes.len()];
    let mut carrier: Vec<Option<usize>> = vec![None; s.nodes.len()];
    let ends = |m: &Member, nodes: &[Point]| {
        if nodes[m.a as usize].z > nodes[m.b as usize].z { (m.a, m.b) } else { (m.b, m.a) }
    };
    for (i, m) in s.members.iter().enumerate() {
        let top = ends(m, &s.nodes).0 as usize;
        if carrier[top].is_none_or(|c| s.members[c].diameter_mm < m.diameter_mm) {
            carrier[top] = Some(i);
        }
    }
    let mut down: Vec<Vec<usize>> = vec![Vec::new(); s.nodes.len()];
    for (i, m) in s.members.iter().enumerate() {
        down[ends(m, &s.nodes).0 as usize].push(i);
    }
    for node in order {
        if let Some(c) = carrier[node as usize] {
            let d = &mut s.members[c].diameter_mm;
            *d = d.max(above[node as usize]);
        }
        for &i in &down[node as usize] {
            let low = ends(&s.members[i], &s.nodes).1 as usize;
            above[low] = above[low].max(s.members[i].diameter_mm);
        }
    }
}

/// Where two heads meet, both leaning as flat as they may; at the lower head when it lies in the
/// other's cone. Nothing when the meeting would not be below both.
fn meeting(a: &Point, b: &Point, lean_deg: f64) -> Option<Point> {
    let t = lean_deg.to_radians().tan();
    let across = b - a;
    let d = across.x.hypot(across.y);
    let down = a.z - b.z; // `a` is the higher one
    if d < 1e-9 {
        return None;
    }
    let from_a = (d + down / t) / 2.0;
    // A branch so short would be no bar at all.
    if from_a >= d - SHORTEST_MM {
        return Some(*b);
    }
    let f = from_a / d;
    Some(Point::new(a.x + f * across.x, a.y + f * across.y, a.z - from_a * t))
}

/// A height as a key that sorts.
fn order(z: f64) -> i64 {
    (z * 1e6).round() as i64
}

/// Open heads by place.
#[derive(Default)]
struct Cells {
    cells: BTreeMap<(i64, i64), Vec<u32>>,
    columns: BTreeMap<u32, u32>,
}

impl Cells {
    fn cell(p: &Point) -> (i64, i64) {
        ((p.y / NEAR_MM).floor() as i64, (p.x / NEAR_MM).floor() as i64)
    }

    fn add(&mut self, h: &Head) {
        self.cells.entry(Cells::cell(&h.place)).or_default().push(h.node);
        self.columns.insert(h.node, h.columns);
    }

    fn remove(&mut self, h: &Head) {
        if let Some(list) = self.cells.get_mut(&Cells::cell(&h.place)) {
            list.retain(|&n| n != h.node);
        }
        self.columns.remove(&h.node);
    }

    fn get(&self, node: u32, s: &Supports) -> Head {
        Head { node, place: s.nodes[node as usize], columns: self.columns[&node] }
    }

    fn near<'a>(&'a self, p: &'a Point, s: &'a Supports) -> impl Iterator<Item = Head> + 'a {
        let (r, c) = Cells::cell(p);
        let rows = (r - 1..=r + 1).flat_map(move |r| self.cells.range((r, c - 1)..=(r, c + 1)));
        rows.flat_map(|(_, list)| list)
            .map(|&n| self.get(n, s))
            .filter(move |h| (h.place.x - p.x).hypot(h.place.y - p.y) <= NEAR_MM)
    }
}
