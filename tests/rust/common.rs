//! What the tests share.

use std::path::PathBuf;
use vatwright::Setup;

/// A real file of the tests: of the corpus, or of a larger folder of more such files beside the
/// checkout. `None` with a printed reason where it is in neither.
#[allow(dead_code, clippy::print_stdout)] // used by the modules that read real files
pub(crate) fn shared(path: &str) -> Option<PathBuf> {
    let core = PathBuf::from(env!("CARGO_MANIFEST_DIR"));
    for folder in ["../../tests/corpus", "../../../shared/data"] {
        let file = core.join(folder).join(path);
        if file.exists() {
            return Some(file);
        }
    }
    println!("skipped: {path} is not in the corpus");
    None
}

/// A row of the catalogue of meshes.
pub(crate) struct Row(Vec<(String, String)>);

impl Row {
    /// The text of a column.
    pub(crate) fn text(&self, column: &str) -> &str {
        &self.0.iter().find(|(name, _)| name == column).expect("a column of the catalogue").1
    }

    /// The number in a column, if there is one.
    pub(crate) fn number(&self, column: &str) -> Option<f64> {
        self.text(column).parse().ok()
    }
}

/// The catalogue of meshes that are there.
pub(crate) fn catalogue() -> Vec<Row> {
    let core = PathBuf::from(env!("CARGO_MANIFEST_DIR"));
    let larger = core.join("../../../shared/data/CATALOGUE.csv");
    let own = core.join("../../tests/corpus/CATALOGUE.csv");
    let path = if larger.exists() { larger } else { own };
    let text = std::fs::read_to_string(path).expect("a readable catalogue");
    let mut rows = text.lines().map(cells);
    let names = rows.next().expect("a head row");
    rows.map(|row| Row(names.iter().cloned().zip(row).collect())).collect()
}

/// Cells of a CSV row; commas inside quotes do not part them.
fn cells(row: &str) -> Vec<String> {
    let mut out = vec![String::new()];
    let mut quoted = false;
    for c in row.chars() {
        match c {
            '"' => quoted = !quoted,
            ',' if !quoted => out.push(String::new()),
            c => out.last_mut().expect("never empty").push(c),
        }
    }
    out
}

/// Fails unless every edge belongs to exactly two facets that run it in opposite directions and
/// the facets around every vertex form one fan.
pub(crate) fn assert_manifold(mesh: &vatwright::Mesh) {
    use std::collections::BTreeMap;
    let mut edges = BTreeMap::new();
    let mut fans: Vec<BTreeMap<u32, u32>> = vec![BTreeMap::new(); mesh.vertices().len()];
    for t in mesh.triangles() {
        for i in 0..3 {
            let (a, b, c) = (t[i], t[(i + 1) % 3], t[(i + 2) % 3]);
            assert!(edges.insert((a, b), ()).is_none(), "edge {a}-{b} twice in one direction");
            fans[a as usize].insert(b, c);
        }
    }
    for &(a, b) in edges.keys() {
        assert!(edges.contains_key(&(b, a)), "edge {a}-{b} has one side");
    }
    for (v, fan) in fans.iter().enumerate() {
        let Some((&start, _)) = fan.first_key_value() else { panic!("vertex {v} has no facet") };
        let (mut at, mut steps) = (start, 0);
        loop {
            at = fan[&at];
            steps += 1;
            if at == start {
                break;
            }
        }
        assert_eq!(steps, fan.len(), "vertex {v} has more than one fan");
    }
}

/// The setup that hand formulas take: a film that pulls straight up with one mean stress whatever the
/// section, and tips that do not fail.
pub(crate) fn mean_stress() -> Setup {
    let mut setup = Setup::default();
    setup.machine.separation_area_exponent = 1.0;
    setup.machine.separation_speed_exponent = 0.5;
    setup.machine.side_share = 0.0;
    setup.limits.lost_tip_safety = 0.1;
    setup
}
