//! Every real mesh goes the whole way, or is refused with a reason.

use crate::common::shared;
use std::path::Path;
use vatwright::mesh::{health, io};
use vatwright::passes::{Estimate, Pack, Pass};
use vatwright::{Context, Error, Part, Recipe, Setup, Solid, Step};

/// The whole recipe, with few directions.
fn recipe() -> Recipe {
    let mut recipe = Recipe::default();
    for step in &mut recipe.steps {
        if let Step::Orient(orient) = step {
            (orient.directions, orient.refine) = (40, 3);
        }
    }
    recipe
}

fn setup() -> Setup {
    let mut setup = Setup::default();
    (setup.exposure.layer_mm, setup.machine.pixel_mm) = (0.1, 0.1);
    setup
}

/// The file as a part 30 mm long, since many state no unit.
fn load(path: &Path) -> Result<Part, Error> {
    let mesh = io::read(path, &io::ReadOptions::default())?;
    let mesh = mesh.scaled(30.0 / mesh.bounds().size().max())?;
    let solid: Solid = health::repair(mesh, &health::RepairOptions::default())?.value.solid;
    Ok(Part::new(solid))
}

fn whole_way(name: &str) {
    let Some(path) = shared(&format!("meshes/{name}.stl")) else { return };
    let part = match load(&path) {
        Ok(part) => part,
        Err(error) => {
            let text = error.to_string();
            assert!(text.contains(name) && text.contains(';'), "place and remedy: {text}");
            return;
        }
    };
    let ctx = Context::new(setup());
    let done = recipe().apply(part, &ctx).unwrap();
    assert_eq!(done.report.inner.len(), recipe().steps.len());
    let plates = Pack::default().apply(vec![done.value], &ctx).unwrap().value;
    assert_eq!(plates.len(), 1, "{name} fits a plate");
    let cost = Estimate::default().apply(&plates[0], &ctx).unwrap().value;
    assert!(cost.time_s > 60.0 && cost.resin_total_ml > 0.0);
    let folder = std::env::temp_dir().join(format!("vatwright-{}-{name}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    for ending in ["stl", "3mf"] {
        let path = folder.join(format!("plate.{ending}"));
        plates[0].write(&path).unwrap();
        let back = io::read(&path, &io::ReadOptions::default()).unwrap();
        assert!((back.bounds().size() - plates[0].bounds().size()).norm() < 1e-3, "{name}");
    }
    std::fs::remove_dir_all(&folder).unwrap();
}

macro_rules! files {
    ($($name:ident)*) => { $(
        #[test]
        fn $name() {
            whole_way(stringify!($name));
        }
    )* };
}

files! {
    cavity_spiral demosthenes_low gearwheel goblet_vase n100_plate pci_bracket penguin
    porta_filter_funnel screw_block skull solar_case spider wagon_wheels
}
