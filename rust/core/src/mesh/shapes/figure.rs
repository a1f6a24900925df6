//! Standing people for a model railway's platform: seeded, blended from simple bodies, closed.

use super::length;
use crate::error::{Result, check_range};
use crate::job::Job;
use crate::mesh::iso::{Bricks, Field, Sample};
use crate::mesh::{Bounds, Mesh, Point, Solid, Vector};

/// How far two bodies reach for each other where they blend, for a figure of height 1.
const BLEND: f64 = 0.03;
/// Grid nodes a figure may take: some millions of triangles.
const MOST_NODES: u64 = 200_000_000;

/// A standing figure of about `triangles` triangles: legs, coat, arms, head, hat, bag, and a lamp
/// like an open cup in one hand; pose, hat and bag vary with the seed. It stands on z = 0,
/// faces −y and is one shell.
///
/// # Errors
/// [`Error::Value`](crate::Error::Value) when the height is not a sensible length or the number
/// of triangles is not within 5000..=4000000, [`Error::Cancelled`](crate::Error::Cancelled).
pub fn figure(seed: u64, height_mm: f64, triangles: usize, job: &Job) -> Result<Solid> {
    let all: Vec<BlendBody> = limbs(seed).into_iter().flatten().collect();
    build(&format!("figure_{seed}"), &[all], height_mm, triangles, job)
}

/// The same figure as many downloads come: coat, arms, head, hat, bag and lamp are closed shells
/// of their own that overlap, one solid only by winding.
///
/// # Errors
/// As for [`figure`].
pub fn figure_of_shells(seed: u64, height_mm: f64, triangles: usize, job: &Job) -> Result<Solid> {
    build(&format!("figure_of_shells_{seed}"), &limbs(seed), height_mm, triangles, job)
}

fn build(
    name: &str,
    shells: &[Vec<BlendBody>],
    height_mm: f64,
    triangles: usize,
    job: &Job,
) -> Result<Solid> {
    length("figure", "height_mm", height_mm)?;
    check_range("figure.triangles", triangles as f64, 5e3, 4e6, "")?;
    let bounds = Bounds { min: Point::new(-0.6, -0.6, 0.0), max: Point::new(0.6, 0.6, 1.3) };
    let at_cell = |cell: f64| -> Result<Mesh> {
        let shell = |s: &Vec<BlendBody>| {
            Bricks::find(&Blend(s), &bounds, cell, MOST_NODES, job)?.surface(&Blend(s), job)
        };
        let parts = shells.iter().map(shell).collect::<Result<Vec<Mesh>>>()?;
        Ok(Mesh::concat(name, &parts))
    };
    // The number of triangles goes with the inverse square of the cell.
    let trial_cell = 0.012;
    let trial = at_cell(trial_cell)?.triangles().len() as f64;
    let mesh = at_cell(trial_cell * (trial / triangles as f64).sqrt())?;
    let z = mesh.bounds();
    let scale = height_mm / z.size().z;
    let (name, vertices, faces) = mesh.into_parts();
    let placed = vertices
        .into_iter()
        .map(|v| Point::from((v.coords - Vector::z() * z.min.z) * scale))
        .collect();
    Solid::try_from(Mesh::new(name, placed, faces)?)
}

/// A simple body; distances are negative inside.
enum BlendBody {
    /// The hull of two balls, flattened along y by `flat` ≤ 1.
    Limb { a: Vector, b: Vector, ra: f64, rb: f64, flat: f64 },
    /// An upright disc with a rounded rim.
    Disc { center: Vector, radius: f64, half: f64 },
    /// A box with rounded edges, turned about z.
    Case { center: Vector, half: Vector, turn: f64 },
    /// The lower half of a hollow ball, mouth up.
    Cup { center: Vector, radius: f64, wall: f64 },
}

impl BlendBody {
    /// Signed distance, or less than it in amount; changes by at most 1 per unit.
    fn distance(&self, p: &Vector) -> f64 {
        match *self {
            BlendBody::Limb { a, b, ra, rb, flat } => {
                let p = Vector::new(p.x, a.y + (p.y - a.y) / flat, p.z);
                let (axis, from) = (b - a, p - a);
                let t = (from.dot(&axis) / axis.norm_squared()).clamp(0.0, 1.0);
                // tapered along the axis; the slope of the taper is divided out
                let taper = (rb - ra) / axis.norm();
                let gap = (from - axis * t).norm() - (ra + (rb - ra) * t);
                gap * flat / (1.0 + taper * taper).sqrt()
            }
            BlendBody::Disc { center, radius, half } => {
                let d = p - center;
                let (out, up) = (d.x.hypot(d.y) - radius + half, d.z.abs());
                out.max(0.0).hypot(up) - half
            }
            BlendBody::Case { center, half, turn } => {
                let (s, c) = turn.sin_cos();
                let d = p - center;
                let round = 0.25 * half.min();
                let local = Vector::new(c * d.x + s * d.y, c * d.y - s * d.x, d.z);
                let out = local.abs() - half + Vector::repeat(round);
                out.map(|v| v.max(0.0)).norm() + out.max().min(0.0) - round
            }
            BlendBody::Cup { center, radius, wall } => {
                let d = p - center;
                let shell = (d.norm() - radius + wall / 2.0).abs() - wall / 2.0;
                shell.max(d.z)
            }
        }
    }
}

/// Bodies blended into one, cut flat at z = 0.
struct Blend<'a>(&'a [BlendBody]);

impl Blend<'_> {
    fn value(&self, p: &Point) -> f64 {
        let joined = self.0.iter().fold(f64::INFINITY, |sum, body| {
            let d = body.distance(&p.coords);
            // polynomial smooth minimum (Quilez, from memory): never steeper than its terms
            let h = (1.0 - (sum - d).abs() / BLEND).max(0.0);
            sum.min(d) - 0.25 * BLEND * h * h
        });
        (-joined).min(p.z)
    }
}

impl Field for Blend<'_> {
    type Hint = ();

    fn hint(&self) {}

    fn at(&self, point: &Point, _band: f64, (): &mut ()) -> Sample {
        Sample { value: self.value(point), gradient: Vector::zeros() }
    }

    /// Two Newton steps along a numerical gradient.
    fn settle(&self, vertex: Point, _sharp: bool, (): &mut ()) -> Point {
        let mut p = vertex;
        for _ in 0..2 {
            let value = self.value(&p);
            let slope = Vector::from_fn(|a, _| {
                let e = Vector::ith(a, 1e-6);
                (self.value(&(p + e)) - self.value(&(p - e))) / 2e-6
            });
            if slope.norm_squared() > 0.1 {
                p -= slope * (value / slope.norm_squared()).clamp(-0.01, 0.01);
            }
        }
        p
    }
}

/// Seeded numbers in 0..1 (SplitMix64: Steele, Lea & Flood 2014, from memory).
struct Dice(u64);

impl Dice {
    fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ z >> 30).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ z >> 27).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ z >> 31) >> 11) as f64 / (1u64 << 53) as f64
    }

    fn within(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }
}

fn limb(a: Vector, b: Vector, ra: f64, rb: f64) -> BlendBody {
    BlendBody::Limb { a, b, ra, rb, flat: 1.0 }
}

/// The bodies of a figure of height about 1, one list a shell: coat with legs, arms, head, hat,
/// bag, lamp.
fn limbs(seed: u64) -> Vec<Vec<BlendBody>> {
    let v = Vector::new;
    let mut dice = Dice(seed);
    let stride = dice.within(-0.05, 0.05);
    let stance = dice.within(0.055, 0.075);
    let lean = v(dice.within(-0.02, 0.02), dice.within(-0.03, 0.01), 0.0);
    let coat_hem = dice.within(0.26, 0.42);
    let girth = dice.within(0.85, 1.15);

    let mut coat = Vec::new();
    for side in [-1.0, 1.0] {
        let foot = v(side * stance, side * stride, 0.035);
        coat.push(limb(v(side * 0.045, 0.0, 0.46), foot + v(0.0, 0.01, 0.03), 0.06, 0.04));
        coat.push(limb(foot, foot + v(side * 0.012, -0.075, -0.005), 0.036, 0.032));
    }
    let (chest, hem) = (v(0.0, 0.0, 0.72) + lean, v(0.0, 0.0, coat_hem));
    let (top, low) = (0.115 * girth, 0.15 * girth);
    coat.push(BlendBody::Limb { a: chest, b: hem, ra: top, rb: low, flat: 0.75 });
    coat.push(limb(chest + v(-0.09, 0.0, 0.06), chest + v(0.09, 0.0, 0.06), 0.05, 0.05));

    // Arms from shoulder over elbow to hand; the lamp is carried forward, the bag hangs.
    let arm = |side: f64, forward: f64, bend: f64| {
        let shoulder = chest + v(side * 0.12 * girth, 0.0, 0.055);
        let elbow = shoulder + v(side * 0.06, -0.05 * forward, -0.15);
        let hand = elbow + v(side * 0.03, -0.14 * bend.sin() - 0.02, -0.14 * bend.cos());
        let bodies = vec![
            limb(shoulder, elbow, 0.048, 0.042),
            limb(elbow, hand, 0.042, 0.03),
            limb(hand, hand + v(0.0, -0.015, -0.015), 0.03, 0.028),
        ];
        (bodies, hand)
    };
    let lamp_side = if dice.unit() < 0.5 { -1.0 } else { 1.0 };
    let (lamp_arm, lamp_hand) = arm(lamp_side, dice.within(0.5, 1.0), dice.within(1.1, 1.6));
    let (bag_arm, bag_hand) = arm(-lamp_side, dice.within(-0.5, 0.5), dice.within(0.0, 0.4));

    let nape = chest + v(0.0, 0.0, 0.1);
    let crown = nape + v(dice.within(-0.015, 0.015), -0.01, 0.1);
    let head = vec![
        limb(nape, crown, 0.04, 0.045),
        BlendBody::Limb { a: crown, b: crown + v(0.0, 0.0, 0.03), ra: 0.068, rb: 0.066, flat: 0.9 },
        limb(crown + v(0.0, -0.06, 0.0), crown + v(0.0, -0.072, -0.012), 0.012, 0.014),
    ];

    // Nine seeds in a row show every hat with every bag.
    let brow = crown + v(0.0, 0.0, 0.055);
    let hat = match seed % 3 {
        // stiff cap with a peak
        0 => vec![
            limb(brow, brow + v(0.0, 0.0, 0.02), 0.066, 0.07),
            BlendBody::Disc { center: brow + v(0.0, -0.005, 0.05), radius: 0.09, half: 0.014 },
            BlendBody::Disc { center: brow + v(0.0, -0.055, 0.0), radius: 0.055, half: 0.009 },
        ],
        // round hat with a brim
        1 => vec![
            limb(brow, brow + v(0.0, 0.0, 0.03), 0.068, 0.06),
            BlendBody::Disc { center: brow, radius: 0.115, half: 0.01 },
        ],
        // tall hat
        _ => vec![
            BlendBody::Disc { center: brow + v(0.0, 0.0, 0.07), radius: 0.075, half: 0.02 },
            limb(brow, brow + v(0.0, 0.0, 0.065), 0.064, 0.07),
            BlendBody::Disc { center: brow, radius: 0.11, half: 0.01 },
        ],
    };

    let turn = dice.within(-0.3, 0.3);
    let size = dice.within(0.85, 1.15);
    let bag = match seed / 3 % 3 {
        // suitcase
        0 => vec![
            BlendBody::Case {
                center: bag_hand + v(0.0, 0.0, -0.125),
                half: v(0.035, 0.11, 0.075) * size,
                turn,
            },
            limb(bag_hand + v(0.0, -0.03, -0.03), bag_hand + v(0.0, 0.03, -0.03), 0.014, 0.014),
        ],
        // round holdall
        1 => vec![
            limb(
                bag_hand + v(0.0, -0.07, -0.09) * size,
                bag_hand + v(0.0, 0.07, -0.09) * size,
                0.055,
                0.055,
            ),
            limb(bag_hand, bag_hand + v(0.0, 0.0, -0.05), 0.018, 0.018),
        ],
        // rucksack
        _ => vec![BlendBody::Case {
            center: chest + v(0.0, 0.12 * girth, -0.02),
            half: v(0.085, 0.06, 0.11) * size,
            turn: 0.0,
        }],
    };

    let cup = lamp_hand + v(0.0, -0.03, -0.1);
    let (radius, wall) = (0.055 * size, 0.016);
    let mut lamp = vec![BlendBody::Cup { center: cup, radius, wall }];
    for side in [-1.0, 1.0] {
        let rim = cup + v(side * (radius - wall / 2.0), 0.0, -0.005);
        lamp.push(limb(rim, lamp_hand + v(0.0, -0.015, -0.02), 0.011, 0.013));
    }
    vec![coat, lamp_arm, bag_arm, head, hat, bag, lamp]
}
