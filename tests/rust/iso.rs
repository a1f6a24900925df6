//! Surfaces of fields: closed 2-manifolds whatever the signs, and true to closed forms.

use crate::common::assert_manifold;
use approx::assert_relative_eq;
use std::f64::consts::{PI, TAU};
use vatwright::mesh::iso::{Bricks, Field, Sample, surface};
use vatwright::mesh::measure::volume_mm3;
use vatwright::{Bounds, Error, Job, Mesh, Point, Vector};

struct From<F>(F);

impl<F: Fn(&Point) -> (f64, Vector) + Sync> Field for From<F> {
    type Hint = ();
    fn hint(&self) {}
    fn at(&self, p: &Point, _band: f64, (): &mut ()) -> Sample {
        let (value, gradient) = (self.0)(p);
        Sample { value, gradient }
    }
}

fn cube(half: f64) -> Bounds {
    Bounds { min: Point::new(-half, -half, -half), max: Point::new(half, half, half) }
}

fn make(field: impl Fn(&Point) -> (f64, Vector) + Sync, half: f64, cell: f64) -> Mesh {
    let job = Job::default();
    surface(&From(field), &cube(half), cell, 10_000_000, &job).unwrap()
}

/// Random signs at every node bring every case of every cell and every ambiguous face.
#[test]
fn random_signs_give_a_closed_manifold() {
    for seed in 0..3u64 {
        let noise = move |p: &Point| {
            let k = [p.x, p.y, p.z].map(|c| (c * 16.0).round() as i64 as u64);
            let mut h = seed ^ k[0].wrapping_mul(0x9E37_79B9_7F4A_7C15);
            for c in &k[1..] {
                h = (h ^ h >> 31).wrapping_mul(0xBF58_476D_1CE4_E5B9).wrapping_add(*c);
            }
            h = (h ^ h >> 29).wrapping_mul(0x94D0_49BB_1331_11EB);
            (h >> 11) as f64 / (1u64 << 53) as f64 - 0.5
        };
        let cell = 0.5;
        let m = make(
            |p| ((4.0 - p.coords.norm()).min(0.4 * cell * noise(p)), Vector::zeros()),
            4.5,
            cell,
        );
        assert!(m.triangles().len() > 5000);
        assert_manifold(&m);
    }
}

#[test]
fn sphere_and_torus_converge_with_second_order() {
    let ball = |p: &Point| (5.0 - p.coords.norm(), -p.coords.normalize());
    let ring = |p: &Point| {
        let rho = p.x.hypot(p.y);
        (2.0 - (rho - 6.0).hypot(p.z), Vector::zeros())
    };
    let error = |cell| {
        let (b, r) = (make(ball, 5.0, cell), make(ring, 8.0, cell));
        assert_manifold(&b);
        assert_manifold(&r);
        (
            volume_mm3(&b) / (4.0 / 3.0 * PI * 125.0) - 1.0,
            volume_mm3(&r) / (TAU * 6.0 * PI * 4.0) - 1.0,
        )
    };
    let (coarse, fine) = (error(0.4), error(0.2));
    for (c, f) in [(coarse.0, fine.0), (coarse.1, fine.1)] {
        let order = (c / f).log2();
        assert!((1.7..2.3).contains(&order), "order {order}: {c} then {f}");
    }
}

/// Flat faces meet in sharp edges and corners when the field gives its gradients.
#[test]
fn a_box_keeps_its_edges_and_corners() {
    let (half, turn) =
        (Vector::new(3.0, 2.0, 1.5), nalgebra::Rotation3::from_euler_angles(0.3, 0.5, 0.7));
    let slabs = move |p: &Point| {
        let q = turn.inverse() * p.coords;
        let (mut value, mut gradient) = (f64::INFINITY, Vector::zeros());
        for a in 0..3 {
            if half[a] - q[a].abs() < value {
                value = half[a] - q[a].abs();
                gradient = turn * Vector::ith(a, -q[a].signum());
            }
        }
        (value, gradient)
    };
    let m = make(slabs, 4.2, 0.21);
    assert_manifold(&m);
    assert_relative_eq!(volume_mm3(&m), 72.0, max_relative = 5e-4);
    let corner = turn * half;
    let nearest = m.vertices().iter().map(|v| (v.coords - corner).norm()).fold(f64::MAX, f64::min);
    assert!(nearest < 0.05, "corner missed by {nearest} mm");
}

#[test]
fn the_grid_stays_within_its_limit_and_stops_when_asked() {
    let ball = From(|p: &Point| (5.0 - p.coords.norm(), Vector::zeros()));
    let job = Job::default();
    let bricks = Bricks::find(&ball, &cube(5.0), 0.25, 1_000_000, &job).unwrap();
    let all = (10.0_f64 / 0.25).powi(3);
    assert!((bricks.nodes() as f64) < all, "{} of {all}", bricks.nodes());
    let refused = surface(&ball, &cube(5.0), 0.02, 100_000, &job);
    assert!(matches!(refused, Err(Error::Limit { .. })));
    job.cancel.cancel();
    assert!(matches!(surface(&ball, &cube(5.0), 0.25, 1_000_000, &job), Err(Error::Cancelled)));
}
