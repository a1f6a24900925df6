//! Parts and plates written to files come back as what they were.

use std::sync::Arc;
use vatwright::mesh::io::{ReadOptions, read_objects};
use vatwright::mesh::shapes;
use vatwright::{Part, Placed, Plate, Role};

#[test]
fn a_plate_becomes_one_object_a_part_at_its_place() {
    let dir = std::env::temp_dir().join(format!("vatwright-export-{}", std::process::id()));
    std::fs::create_dir_all(&dir).unwrap();
    let mut part = Part::new(shapes::cuboid(10.0, 6.0, 4.0).unwrap());
    part.name = "crate".into();
    let part = Arc::new(part);
    let place = |x_mm| Placed { part: Arc::clone(&part), x_mm, y_mm: 20.0, turn_deg: 90.0 };
    let plate = Plate {
        name: "one".into(),
        printer: "desk-50um".into(),
        width_mm: 100.0,
        depth_mm: 50.0,
        placed: vec![place(10.0), place(30.0)],
    };
    plate.write(dir.join("plate.3mf")).unwrap();
    let objects = read_objects(dir.join("plate.3mf"), &ReadOptions::default()).unwrap();
    assert_eq!(objects.len(), 2);
    for (object, x) in objects.iter().zip([10.0, 30.0]) {
        assert_eq!(object.name(), "crate");
        let b = object.bounds();
        assert!((b.center() - vatwright::Point::new(x, 20.0, 2.0)).norm() < 1e-6);
        // Turned a quarter: 6 mm along x, 10 mm along y.
        assert!((b.size() - vatwright::Vector::new(6.0, 10.0, 4.0)).norm() < 1e-6);
    }
    part.write(dir.join("part.stl"), &Role::ALL).unwrap();
    let back = read_objects(dir.join("part.stl"), &ReadOptions::default()).unwrap();
    assert_eq!(back[0].triangles().len(), part.body.triangles().len());
    assert!(part.write(dir.join("raft.stl"), &[Role::Raft]).is_err());
    std::fs::remove_dir_all(&dir).unwrap();
}
