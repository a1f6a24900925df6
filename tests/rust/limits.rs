//! No option inside its range may run away: what asks for too much is refused before it begins,
//! with the number and the way out.

use vatwright::check::Reach;
use vatwright::layers::{Grid, Scan, Surface};
use vatwright::mesh::shapes;
use vatwright::passes::{Hollow, Orient, Pack, Pass, Support};
use vatwright::{Context, Error, Job, Part, Setup};

fn ctx() -> Context {
    Context::new(Setup::default())
}

#[test]
fn a_film_that_hardly_pulls_gives_no_endless_reach() {
    for kpa in [0.0, 5e-324, 0.099] {
        let mut setup = Setup::default();
        setup.machine.separation_kpa = kpa;
        let refused = setup.validate().unwrap_err().to_string();
        assert!(refused.contains("0.1..=101.325 kPa"), "{refused}");
    }
    // The ends of the ranges together: as little pull as there may be, as stiff as may be.
    let mut setup = Setup::default();
    (setup.machine.separation_kpa, setup.machine.separation_speed_exponent) = (0.1, 1.0);
    (setup.machine.lift_speed_mm_s, setup.machine.separation_speed_mm_s) = (0.01, 50.0);
    (setup.resin.green_modulus_mpa, setup.resin.green_strength_mpa) = (1e5, 1e3);
    (setup.resin.penetration_mm, setup.limits.sag_mm) = (5.0, 10.0);
    setup.validate().unwrap();
    let reach = Reach::of(&setup);
    let diagonal = setup.machine.width_mm.hypot(setup.machine.depth_mm);
    assert!(reach.free_mm <= diagonal && reach.span_mm <= diagonal, "{reach:?}");
    let part = Part::new(shapes::cuboid(5.0, 5.0, 5.0).unwrap());
    let ctx = Context::new(setup);
    let held = Support::default().apply(part, &ctx).unwrap().value;
    vatwright::check::inspect(&held, &ctx).unwrap();
}

#[test]
fn a_billion_copies_are_refused() {
    let part = Part::new(shapes::cuboid(5.0, 5.0, 5.0).unwrap());
    let copies = [(part.name.clone(), 1_000_000_000)].into();
    let refused = Pack { copies, ..Pack::default() }.apply(vec![part], &ctx()).unwrap_err();
    assert!(matches!(refused, Error::Limit { value: 1e9, .. }), "{refused}");
}

#[test]
fn a_search_says_what_it_would_take() {
    let part = Part::new(shapes::cuboid(80.0, 60.0, 40.0).unwrap());
    let many = Orient { directions: 100_000, ..Orient::default() };
    assert!(matches!(many.search(&part, &ctx()), Err(Error::Value { .. })));
    let fine = Orient { coarse_mm: Some(0.01), directions: 20_000, ..Orient::default() };
    let refused = fine.search(&part, &ctx()).unwrap_err().to_string();
    assert!(refused.contains("hours of one core") && refused.contains("coarse_mm"), "{refused}");
    let sweep = |steps, fine_mm| {
        let orient = Orient { fine_mm: Some(fine_mm), ..Orient::default() };
        orient.sweep(&part, vatwright::Vector::x(), 0.0, 90.0, steps, &ctx()).unwrap_err()
    };
    assert!(matches!(sweep(10_000, 1.0), Error::Value { .. }));
    assert!(matches!(sweep(2000, 0.01), Error::Limit { .. }));
}

#[test]
fn grids_are_bounded() {
    let huge = Part::new(shapes::cuboid(1500.0, 1500.0, 1500.0).unwrap());
    let thin = Hollow { wall_mm: 0.3, ..Hollow::default() };
    let refused = thin.apply(huge, &ctx()).unwrap_err();
    assert!(matches!(refused, Error::Limit { .. }), "{refused}");
    let part = Part::new(shapes::cuboid(5.0, 5.0, 5.0).unwrap());
    let greedy = Hollow { max_cells: 4_000_000_000, ..Hollow::default() };
    assert!(matches!(greedy.apply(part, &ctx()), Err(Error::Value { .. })));

    let block = shapes::cuboid(600.0, 600.0, 600.0).unwrap();
    let surfaces = [Surface::body(&block)];
    let grid = Grid::around(&surfaces, 0.005, 0.005).unwrap();
    let refused = Scan::new(&surfaces, grid).layers(&Job::default()).unwrap_err().to_string();
    assert!(refused.contains("GB") && refused.contains("coarser pitch"), "{refused}");
}

#[test]
fn shapes_of_too_many_points_are_refused() {
    let limit = |made: vatwright::Result<vatwright::Solid>| {
        let refused = made.unwrap_err();
        assert!(matches!(refused, Error::Limit { .. }), "{refused}");
    };
    limit(shapes::gear(1.0, 1000, 5.0, 0.0, 1000));
    limit(shapes::lenticular(1.0, 1.5, 1e-3, 10.0, 1e4, 10_000));
    limit(shapes::fresnel(100.0, 1.5, 50.0, 0.01, 1.0, 100_000));
    limit(shapes::lathe("disc", &[vec![[0.0, 0.0]; 300_000]], 3));
}
