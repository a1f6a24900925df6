//! The pages under docs/reference are what the code declares. `make reference` writes them anew.

use std::fmt::Write;
use std::path::Path;
use vatwright::{Error, Explained, FindingCode};

/// Holds a page against what it should be, or writes it when `WRITE_REFERENCE` is set.
fn hold(name: &str, text: &str) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../docs/reference").join(name);
    if std::env::var_os("WRITE_REFERENCE").is_some() {
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        return std::fs::write(&path, text).unwrap();
    }
    let there = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(there == text, "docs/reference/{name} is out of date: run make reference");
}

fn section(out: &mut String, title: &str, opening: &str, table: &[Explained]) {
    let _ = write!(out, "## {title}\n\n{opening}\n");
    for c in table {
        let _ = write!(
            out,
            "\n### `{}`\n\n{}\n\n- Severity: {}.\n- Cause: {}\n- What to do: {}\n",
            c.code, c.meaning, c.severity, c.cause, c.remedy
        );
    }
    out.push('\n');
}

#[test]
fn the_page_of_codes_is_the_table() {
    let mut page = String::from(
        "# Codes of findings and errors\n\nWritten by `make reference` from the tables in the \
         code. `vatwright explain CODE` prints the same.\n\n",
    );
    let findings = "A finding says that a result exists and physics objects.";
    section(&mut page, "Findings", findings, FindingCode::TABLE);
    let errors = "An error says that no result exists.";
    section(&mut page, "Errors", errors, Error::TABLE);
    hold("codes.md", page.trim_end());
}

/// Every word that the core's sources give to a finding.
#[test]
fn every_code_that_is_emitted_is_in_the_table() {
    let known: Vec<&str> = FindingCode::TABLE.iter().map(|e| e.code).collect();
    assert!(known.is_sorted(), "the table is in order");
    let mut emitted = 0;
    for file in crate::order::sources() {
        let text = crate::order::code(&file);
        for (at, call) in text.match_indices("inding").filter(|(at, _)| {
            text[*at..].starts_with("inding::new(") || text[*at..].starts_with("inding(")
        }) {
            let args = text[at + call.len()..].split_once('(').unwrap().1.trim_start();
            let Some(word) = args.strip_prefix('"').and_then(|a| a.split('"').next()) else {
                continue;
            };
            // A finding made by a closure may begin with its message.
            if word.contains(' ') {
                continue;
            }
            emitted += 1;
            assert!(known.contains(&word), "{}: {word}", file.display());
        }
    }
    // The others are of the enum, which holds no other word.
    assert!(emitted < known.len());
}
