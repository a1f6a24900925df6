//! The fuzz targets on their seeds and on what once failed. `make fuzz` looks farther.

use std::path::Path;

#[path = "../../rust/fuzz/targets.rs"]
pub(crate) mod targets;

/// The seeds of a target and the inputs that once failed, by their names.
fn inputs(target: &str) -> Vec<Vec<u8>> {
    let fuzz = Path::new(env!("CARGO_MANIFEST_DIR")).join("../fuzz");
    let mut files = Vec::new();
    for folder in ["seeds", "regressions"] {
        let entries = std::fs::read_dir(fuzz.join(folder).join(target));
        files.extend(entries.into_iter().flatten().map(|entry| entry.unwrap().path()));
    }
    files.sort();
    files.iter().map(|file| std::fs::read(file).unwrap()).collect()
}

#[test]
fn every_target_holds_for_its_seeds_and_what_once_failed() {
    for (name, target) in targets::TARGETS {
        let inputs = inputs(name);
        assert!(!inputs.is_empty(), "{name} has no seeds");
        inputs.iter().for_each(|data| target(data));
    }
}
