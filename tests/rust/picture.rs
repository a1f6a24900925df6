//! Pictures of parts against what geometry says they show.

use std::sync::Arc;
use vatwright::mesh::shapes;
use vatwright::picture::{Picture, VENT_COLOUR, View};
use vatwright::{Job, Part, Placed, Plate, Pose, Role, Supports, Vector, VentHole};

fn picture(part: &Part, view: &View) -> Picture {
    part.picture(view, &Job::default()).unwrap()
}

fn square(size_px: u32) -> View {
    View { size_px, elevation_deg: 0.0, azimuth_deg: -90.0, ..View::default() }
}

/// Share of the picture that is covered.
fn covered(p: &Picture) -> f64 {
    let cover: u32 = p.pixels.iter().map(|&i| u32::from(p.palette[i as usize][3])).sum();
    f64::from(cover) / 255.0 / p.pixels.len() as f64
}

/// Whether some pixel has that hue: the ratios of its channels.
fn shows(p: &Picture, colour: [u8; 3]) -> bool {
    p.pixels.iter().any(|&i| {
        let [r, g, b, a] = p.palette[i as usize].map(f64::from);
        let bright = r / f64::from(colour[0]);
        let near = |c: f64, full: u8| (c - bright * f64::from(full)).abs() < 1.5;
        a > 0.0 && near(g, colour[1]) && near(b, colour[2])
    })
}

/// A ball covers π/4 of the square around it, from every side; the rim takes 4 % of the length.
#[test]
fn a_ball_is_a_disc_from_every_side() {
    let ball = Part::new(shapes::sphere(7.0, 20_000).unwrap());
    for (azimuth_deg, elevation_deg) in [(0.0, 0.0), (35.0, 20.0), (-120.0, 90.0), (10.0, -60.0)] {
        let p = picture(&ball, &View { azimuth_deg, elevation_deg, ..square(200) });
        assert!(p.width_px.abs_diff(200) <= 1 && p.height_px.abs_diff(200) <= 1);
        let share = std::f64::consts::FRAC_PI_4 / 1.04f64.powi(2);
        assert!((covered(&p) / share - 1.0).abs() < 0.02, "{}", covered(&p));
    }
}

/// What is in front hides what is behind, whichever was drawn first: a wall of supports in front
/// of the body leaves nothing of it to be seen.
#[test]
fn the_nearer_surface_is_seen() {
    let mut part = Part::new(shapes::cuboid(8.0, 4.0, 8.0).unwrap());
    let wall = shapes::cuboid(10.0, 1.0, 12.0).unwrap();
    let mesh = wall.transformed(&Pose::translation(-5.0, -6.0, -1.0));
    part.supports = Some(Arc::new(Supports { mesh, ..Supports::default() }));
    let front = picture(&part, &square(120));
    assert!(shows(&front, Role::Support.colour()) && !shows(&front, Role::Body.colour()));
    let back = picture(&part, &View { azimuth_deg: 90.0, ..square(120) });
    assert!(shows(&back, Role::Body.colour()) && shows(&back, Role::Support.colour()));
    let alone = picture(&part, &View { roles: vec![Role::Body], ..square(120) });
    assert!(!shows(&alone, Role::Support.colour()));
    assert_eq!((alone.width_px, alone.height_px), (120, 120));
}

#[test]
fn a_vent_is_marked_on_its_side() {
    let mut part = Part::new(shapes::cuboid(20.0, 20.0, 20.0).unwrap());
    let b = part.body.bounds();
    part.vents = vec![VentHole {
        mouth: vatwright::Point::new(b.center().x, b.min.y, b.center().z),
        inward: Vector::y(),
        diameter_mm: 0.2,
        length_mm: 2.0,
        cavity: 1,
        plug: None,
        inner: false,
    }];
    assert!(shows(&picture(&part, &square(160)), VENT_COLOUR));
    assert!(!shows(&picture(&part, &View { azimuth_deg: 90.0, ..square(160) }), VENT_COLOUR));
}

#[test]
fn pictures_are_the_same_every_time_and_sizes_are_bounded() {
    let part = Arc::new(Part::new(shapes::figure(3, 30.0, 6_000, &Job::default()).unwrap()));
    let view = View { size_px: 90, ..View::default() };
    assert_eq!(picture(&part, &view), picture(&part, &view));
    let placed = [20.0, 60.0].map(|x_mm| Placed {
        part: Arc::clone(&part),
        x_mm,
        y_mm: 20.0,
        turn_deg: 30.0,
    });
    let plate = Plate { name: "two".into(), placed: placed.into(), ..Plate::default() };
    let job = Job::default();
    let both = plate.picture(&View { elevation_deg: 90.0, azimuth_deg: -90.0, ..view }, &job);
    assert!(both.unwrap().width_px > 80);
    for size_px in [0, 7, 5000] {
        assert!(part.picture(&View { size_px, ..View::default() }, &job).is_err());
    }
    let none = part.picture(&View { roles: vec![Role::Raft], ..View::default() }, &job).unwrap();
    assert!(none.pixels.iter().all(|&i| i == 0));
}
