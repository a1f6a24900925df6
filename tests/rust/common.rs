//! Helpers shared by the tests.

use std::path::PathBuf;

/// A file of the shared data folder beside the project, or `None` with a printed reason where
/// the folder is absent.
#[allow(dead_code, clippy::print_stdout)] // used by the modules that read real files
pub(crate) fn shared(path: &str) -> Option<PathBuf> {
    let root = PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../../../shared/data"));
    let file = root.join(path);
    if file.exists() {
        return Some(file);
    }
    println!("skipped: {path} of the shared data folder is absent");
    None
}
