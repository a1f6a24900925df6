//! A model that was turned before is oriented as well as before.

use approx::assert_relative_eq;
use nalgebra::{Quaternion, UnitQuaternion};
use vatwright::appearance::Up;
use vatwright::mesh::shapes;
use vatwright::passes::orient::Orient;
use vatwright::{Context, Job, Part, Pose, Setup, Solid};

/// Rotations spread evenly over all (Shoemake 1992, from memory) by Lehmer's generator.
fn rotation(seed: u64) -> UnitQuaternion<f64> {
    let mut state = seed * 2 + 1;
    let mut uniform = || {
        state = state * 48_271 % 2_147_483_647;
        state as f64 / 2_147_483_647.0
    };
    for _ in 0..3 {
        uniform();
    }
    let (u, a, b) =
        (uniform(), std::f64::consts::TAU * uniform(), std::f64::consts::TAU * uniform());
    let (s, c) = ((1.0 - u).sqrt(), u.sqrt());
    UnitQuaternion::from_quaternion(Quaternion::new(
        s * a.sin(),
        s * a.cos(),
        c * b.sin(),
        c * b.cos(),
    ))
}

fn turned(solid: &Solid, seed: u64) -> Solid {
    let pose = Pose::from_parts(nalgebra::Translation3::new(3.0, -7.0, 11.0), rotation(seed));
    Solid::try_from(solid.transformed(&pose)).unwrap()
}

#[test]
fn a_turned_model_finds_an_equally_good_pose() {
    let bracket = vec![[0.0, 0.0], [30.0, 0.0], [30.0, 4.0], [4.0, 4.0], [4.0, 20.0], [0.0, 20.0]];
    // The last four have moments that do not tell all axes apart.
    let shapes = [
        shapes::extrude("bracket", &[bracket], 12.0),
        shapes::wedge(12.0, 20.0, 16.0),
        shapes::figure(3, 50.0, 6_000, &Job::default()),
        shapes::cuboid(20.0, 20.0, 20.0),
        shapes::tetrahedron(25.0),
        shapes::bowl(12.0, 2.0, 0.0, 40),
        shapes::gear(2.0, 20, 8.0, 8.0, 6),
    ];
    let ctx = Context::new(Setup::default());
    // What is up in a model is told by its axes, which turn here.
    let up = Up::Unknown;
    let orient = Orient { directions: 150, refine: 8, up, ..Orient::default() };
    for solid in shapes {
        let solid = solid.unwrap();
        let best = |s: Solid| orient.search(&Part::new(s), &ctx).unwrap().fine[0].score;
        let plain = best(solid.clone());
        for seed in 1..3 {
            let score = best(turned(&solid, seed));
            assert_relative_eq!(score, plain, max_relative = 0.03);
        }
    }
}
