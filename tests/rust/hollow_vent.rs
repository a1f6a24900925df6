//! What hollow and vent promise together, judged by the check: no cup and no pocket at the
//! printer's own pitch, or a finding that says why and where.

use crate::common::{catalogue, shared};
use nalgebra::UnitQuaternion;
use vatwright::check::inspect;
use vatwright::mechanics::suction;
use vatwright::mesh::iso::{Field, Sample, surface};
use vatwright::mesh::{health, io};
use vatwright::passes::{Hollow, Pass, Vent};
use vatwright::{Bounds, Context, Part, Point, Setup, Severity, Solid, Vector};

/// Lehmer's generator, 0..1.
struct Dice(u64);

impl Dice {
    fn new(seed: u64) -> Dice {
        let mut dice = Dice(2 * seed + 1);
        (0..4).for_each(|_| {
            dice.roll(0.0, 1.0);
        });
        dice
    }

    fn roll(&mut self, low: f64, high: f64) -> f64 {
        self.0 = self.0 * 48_271 % 2_147_483_647;
        low + (high - low) * self.0 as f64 / 2_147_483_647.0
    }

    fn vector(&mut self, reach: f64) -> Vector {
        Vector::from_fn(|_, _| self.roll(-reach, reach))
    }

    fn turn(&mut self) -> UnitQuaternion<f64> {
        let [a, b, c] = [0; 3].map(|_| self.roll(0.0, std::f64::consts::TAU));
        UnitQuaternion::from_euler_angles(a, b, c)
    }
}

/// A chain of balls and bars blended into one, bitten by other balls: dents, bowls, tunnels, and
/// now and then a void of its own.
struct Lump {
    bodies: Vec<(Vector, Vector, f64)>,
    bites: Vec<(Vector, f64)>,
}

impl Lump {
    fn of(dice: &mut Dice) -> Lump {
        let mut at = Vector::zeros();
        let mut bodies = Vec::new();
        for _ in 0..dice.roll(2.0, 6.0) as usize {
            let radius = dice.roll(2.5, 7.0);
            let to = at + dice.vector(0.7 * radius);
            bodies.push((at, to, radius));
            at = to + dice.vector(0.5 * radius);
        }
        let count = dice.roll(0.0, 3.5) as usize;
        let bites = (0..count).map(|_| {
            let (a, b, r) = bodies[dice.roll(0.0, bodies.len() as f64) as usize];
            let place = nalgebra::center(&Point::from(a), &Point::from(b)).coords;
            (place + dice.vector(1.2 * r), dice.roll(1.5, 1.0 * r))
        });
        let bites = bites.collect();
        Lump { bodies, bites }
    }

    fn bounds(&self) -> Bounds {
        self.bodies.iter().fold(Bounds::EMPTY, |all, (a, b, r)| {
            let out = Vector::repeat(r + 2.0);
            [a - out, a + out, b - out, b + out].iter().fold(all, |s, p| s.with(&Point::from(*p)))
        })
    }
}

impl Field for Lump {
    type Hint = ();
    fn hint(&self) {}
    fn at(&self, p: &Point, _band: f64, (): &mut ()) -> Sample {
        const BLEND: f64 = 2.0;
        let mut out = f64::INFINITY;
        for (a, b, r) in &self.bodies {
            let axis = b - a;
            let t = ((p.coords - a).dot(&axis) / axis.norm_squared()).clamp(0.0, 1.0);
            let d = (p.coords - a - axis * t).norm() - r;
            // polynomial smooth minimum (Quilez, from memory): never steeper than its terms
            let h = (1.0 - (out - d).abs() / BLEND).max(0.0);
            out = out.min(d) - 0.25 * BLEND * h * h;
        }
        for (centre, r) in &self.bites {
            out = out.max(r - (p.coords - centre).norm());
        }
        Sample { value: -out, gradient: Vector::zeros() }
    }
}

fn lump(seed: u64, ctx: &Context) -> Part {
    let mut dice = Dice::new(seed);
    let field = Lump::of(&mut dice);
    let mesh = surface(&field, &field.bounds(), 0.5, 20_000_000, &ctx.job).unwrap();
    let part = Part::new(Solid::try_from(mesh.renamed(format!("lump {seed}"))).unwrap());
    part.turned(dice.turn(), 4.0).unwrap()
}

/// What became of a part. All cups and pockets left were announced by the vent pass.
#[derive(Debug, Default, PartialEq)]
struct Outcome {
    hollowed: bool,
    holes: usize,
    /// Cups that seal less than the pass was asked to open.
    small: usize,
    /// Cups and pockets that no hole reaches.
    closed: usize,
}

/// Hollows and vents a part and holds the check's cups and pockets against what was reported.
fn proven(part: Part, wall_mm: f64, ctx: &Context) -> Outcome {
    let name = part.name.clone();
    let hollow = Hollow { wall_mm, ..Hollow::default() }.apply(part, ctx).unwrap();
    let mut out = Outcome { hollowed: !hollow.value.cavities.is_empty(), ..Outcome::default() };
    let vent = Vent::default();
    let done = vent.apply(hollow.value, ctx).unwrap();
    out.holes = done.value.vents.len();
    for found in &inspect(&done.value, ctx).unwrap().findings {
        if !matches!(found.code.as_str(), "cup" | "pocket") || found.severity == Severity::Note {
            continue;
        }
        let mut said = done.report.findings.iter().filter(|f| f.code == found.code);
        assert!(
            said.any(|f| f.place.is_some()),
            "{name}: {found:?} but vent says {:?}",
            done.report.findings
        );
        let pull_n = found.value.unwrap_or(0.0);
        if found.code == "cup" && pull_n < suction::sealed_force_n(vent.cup_mm2) {
            out.small += 1;
        } else {
            out.closed += 1;
        }
    }
    out
}

fn at(pitch_mm: f64) -> Context {
    let mut setup = Setup::default();
    (setup.exposure.layer_mm, setup.machine.pixel_mm) = (pitch_mm, pitch_mm);
    Context::new(setup)
}

#[allow(clippy::print_stdout)] // what was measured, shown with --nocapture
fn lumps(seeds: std::ops::Range<u64>, pitch_mm: f64) -> Vec<Outcome> {
    let ctx = at(pitch_mm);
    let of = |seed| proven(lump(seed, &ctx), 1.0 + 0.2 * (seed % 6) as f64, &ctx);
    let all: Vec<Outcome> = seeds.map(of).collect();
    println!(
        "{} solids: {} hollowed, {} holes; {} with small cups left, {} with a void that no hole \
         reaches, all of them announced",
        all.len(),
        all.iter().filter(|o| o.hollowed).count(),
        all.iter().map(|o| o.holes).sum::<usize>(),
        all.iter().filter(|o| o.small > 0).count(),
        all.iter().filter(|o| o.closed > 0).count(),
    );
    all
}

#[test]
fn random_solids_leave_without_cups_and_pockets() {
    let all = lumps(0..4, 0.12);
    assert!(all.iter().filter(|o| o.hollowed).count() >= 2);
    assert_eq!(all.iter().filter(|o| o.closed > 0).count(), 0);
}

#[test]
#[ignore = "minutes: two hundred solids at the pitch of a printer"]
fn two_hundred_random_solids_leave_without_cups_and_pockets() {
    let all = lumps(0..200, 0.05);
    assert!(all.iter().filter(|o| o.hollowed).count() >= 100);
    assert!(all.iter().filter(|o| o.closed > 0).count() <= 10);
}

#[test]
#[ignore = "a minute: every closed mesh of the shared folder"]
#[allow(clippy::print_stdout)] // what was measured, shown with --nocapture
fn real_meshes_leave_without_cups_and_pockets() {
    let ctx = at(0.1);
    for row in catalogue().iter().filter(|r| r.text("watertight") == "True") {
        let name = row.text("name");
        let path = shared(&format!("meshes/{name}.stl")).unwrap();
        let mesh = io::read(path, &io::ReadOptions::default()).unwrap();
        let mesh = mesh.scaled(40.0 / mesh.bounds().size().max()).unwrap();
        let repaired = health::repair(mesh, &health::RepairOptions::default()).unwrap();
        let part = Part::new(repaired.value.solid);
        let part = part.turned(part.pose.rotation, 4.0).unwrap();
        println!("{name}: {:?}", proven(part, 1.2, &ctx));
    }
}
