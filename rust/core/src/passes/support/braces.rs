//! Braces between neighbouring columns, so that none is too slender.
//!
//! A column alone buckles and sways over its whole height. Diagonals to its neighbours, one storey
//! above the other, cut that height into lengths of a stated slenderness.

use super::Support;
use super::probe::Probe;
use crate::mesh::Point;
use crate::part::{Member, Supports};

/// Length over diameter that a column may have between braces (common practice, no source).
pub(super) const SLENDER: f64 = 14.0;
/// How far braced columns may be apart, mm.
const FAR_MM: f64 = 12.0;
/// A brace is this much thinner than a column.
const THINNER: f64 = 0.7;
/// Neighbours that a column is braced to.
const NEIGHBOURS: usize = 3;
/// Steepness of a brace: rise over distance.
const RISE: f64 = 1.2;

/// Braces meet a column in one node when nearer than this, mm, and keep off its ends.
const NEAR_MM: f64 = 0.3;

/// An upright member and where braces meet it.
struct Post {
    member: usize,
    top: Point,
    low: f64,
    /// (height, node)
    cuts: Vec<(f64, u32)>,
}

/// Adds braces where posts are slender and the way between them is clear.
pub(super) fn add(s: &mut Supports, o: &Support, probe: &Probe) {
    let mut posts: Vec<Post> = Vec::new();
    for (i, m) in s.members.iter().enumerate() {
        let (a, b) = (s.nodes[m.a as usize], s.nodes[m.b as usize]);
        let (top, low) = if a.z > b.z { (a, b) } else { (b, a) };
        let upright = (top.x - low.x).hypot(top.y - low.y) < 1e-6;
        if upright && top.z - low.z > SLENDER * m.diameter_mm {
            posts.push(Post { member: i, top, low: low.z, cuts: Vec::new() });
        }
    }
    let diameter_mm = THINNER * o.column_mm;
    for (i, j) in pairs(&posts) {
        let (p, q) = (posts[i].top, posts[j].top);
        let d = (p.x - q.x).hypot(p.y - q.y);
        let rise = RISE * d;
        let low = posts[i].low.max(posts[j].low);
        let high = p.z.min(q.z);
        let storey = SLENDER * o.column_mm;
        // From storey to storey the diagonal changes sides.
        let mut from = low + (0.5 * storey.min(high - low - rise)).max(NEAR_MM);
        let mut left = true;
        while from + rise < high - NEAR_MM {
            let (foot, head) = if left { (i, j) } else { (j, i) };
            let at = |k: usize, z: f64| Point::new(posts[k].top.x, posts[k].top.y, z);
            let (a, b) = (at(foot, from), at(head, from + rise));
            if probe.clear(&a, &b, diameter_mm / 2.0 + o.gap_mm) {
                let a = cut(&mut posts[foot], a, s);
                let b = cut(&mut posts[head], b, s);
                s.members.push(Member { a, b, diameter_mm });
            }
            from += storey;
            left = !left;
        }
    }
    for post in posts {
        split(s, post);
    }
}

/// The node of a post at a height, new or near.
fn cut(post: &mut Post, at: Point, s: &mut Supports) -> u32 {
    if let Some(c) = post.cuts.iter().find(|c| (c.0 - at.z).abs() < NEAR_MM) {
        return c.1;
    }
    let node = s.nodes.len() as u32;
    s.nodes.push(at);
    post.cuts.push((at.z, node));
    node
}

/// Cuts a post's member at its braces.
fn split(s: &mut Supports, mut post: Post) {
    post.cuts.sort_by(|a, b| b.0.total_cmp(&a.0));
    let whole = s.members[post.member];
    let (top, bottom) = if s.nodes[whole.a as usize].z > s.nodes[whole.b as usize].z {
        (whole.a, whole.b)
    } else {
        (whole.b, whole.a)
    };
    let mut above = top;
    for (_, node) in &post.cuts {
        s.members.push(Member { a: above, b: *node, ..whole });
        above = *node;
    }
    s.members[post.member] = Member { a: above, b: bottom, ..whole };
}

/// Pairs of near posts, each with its nearest neighbours, lower number first.
fn pairs(posts: &[Post]) -> Vec<(usize, usize)> {
    let mut out = Vec::new();
    let by_x = {
        let mut order: Vec<usize> = (0..posts.len()).collect();
        order.sort_by(|&a, &b| posts[a].top.x.total_cmp(&posts[b].top.x).then(a.cmp(&b)));
        order
    };
    for (at, &i) in by_x.iter().enumerate() {
        let p = posts[i].top;
        let near = |j: &&usize| (posts[**j].top.x - p.x).abs() <= FAR_MM;
        let after = by_x[at + 1..].iter().take_while(near);
        let before = by_x[..at].iter().rev().take_while(near);
        let mut found: Vec<(f64, usize)> = after
            .chain(before)
            .map(|&j| ((posts[j].top.x - p.x).hypot(posts[j].top.y - p.y), j))
            .filter(|(d, _)| *d <= FAR_MM && *d > 1.0)
            .collect();
        found.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        out.extend(found.into_iter().take(NEIGHBOURS).map(|(_, j)| (i.min(j), i.max(j))));
    }
    out.sort_unstable();
    out.dedup();
    out
}
