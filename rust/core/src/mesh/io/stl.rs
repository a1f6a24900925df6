//! STL: the binary kind through `stl_io` behind a check of its length, the text kind by a reader
//! that forgives what exporters get wrong without ever guessing at geometry.

use super::{Builder, Item, Source, stem, write_atomic};
use crate::error::{Error, Result};
use crate::mesh::{Mesh, Point};
use std::io::Cursor;
use std::path::Path;

const HEADER: usize = 84;
const FACET: usize = 50;

/// Whether the length is that of a binary file with as many facets as its header says, or that
/// and an end that holds no facet: a byte, a few words of text, or nothing but zeros. A file that
/// went through a text program has grown too, and its facets are shifted.
pub(super) fn is_binary(bytes: &[u8]) -> bool {
    let end = promised(bytes).and_then(|n| bytes.get(usize::try_from(length(n)).ok()?..));
    end.is_some_and(|end| {
        let text = |&b: &u8| b.is_ascii_graphic() || b.is_ascii_whitespace();
        let idle = end.len() == 1
            || end.iter().all(|&b| b == 0)
            || end.len() < FACET && end.iter().all(text);
        end.is_empty() || idle && !bytes.windows(3).any(|w| w == REPLACED)
    })
}

/// What text programs put in the place of bytes that are no text.
const REPLACED: &[u8] = "\u{fffd}".as_bytes();

fn length(facets: u32) -> u64 {
    HEADER as u64 + FACET as u64 * u64::from(facets)
}

/// Whether it begins as the text kind does; damaged binary files whose header begins so hold
/// zero bytes.
pub(super) fn is_text(bytes: &[u8]) -> bool {
    let start = skip_mark(bytes).trim_ascii_start();
    start.get(..5).is_some_and(|w| w.eq_ignore_ascii_case(b"solid"))
        && !bytes.iter().take(4096).any(|&b| b == 0)
}

fn promised(bytes: &[u8]) -> Option<u32> {
    bytes.get(80..HEADER).map(|n| u32::from_le_bytes([n[0], n[1], n[2], n[3]]))
}

fn skip_mark(bytes: &[u8]) -> &[u8] {
    bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes)
}

/// Reads either kind: one mesh a solid.
pub(super) fn read(source: &Source<'_>, bytes: Vec<u8>) -> Result<Vec<Mesh>> {
    let objects = if is_binary(&bytes) {
        vec![read_binary(source, bytes)?]
    } else if is_text(&bytes) {
        read_text(source, &bytes)?
    } else {
        return Err(neither(source, &bytes));
    };
    if objects.iter().all(|m| m.triangles().is_empty()) {
        return Err(source.bad("facets", "there are none", "check what was exported"));
    }
    Ok(objects)
}

fn neither(source: &Source<'_>, bytes: &[u8]) -> Error {
    match promised(bytes) {
        Some(n) => source.bad(
            "bytes 80..84",
            format!(
                "facets promised by the header: {n}, which take {} bytes, but the file has {}",
                length(n),
                bytes.len()
            ),
            "the file is cut short, damaged or no STL; export or copy it again",
        ),
        None => source.bad(
            "byte 0",
            format!("{} bytes that neither begin with 'solid' nor hold a header", bytes.len()),
            "this is no STL; export it again",
        ),
    }
}

fn read_binary(source: &Source<'_>, mut bytes: Vec<u8>) -> Result<Mesh> {
    let count = (bytes.len() - HEADER) / FACET;
    let mut builder = Builder::new(stem(source.path), count);
    let length = promised(&bytes).map_or(0, length) as usize;
    let beyond = bytes.len() - length;
    bytes.truncate(length);
    // The length has spoken; a header that begins like the text kind must not overrule it.
    bytes[0] = 0;
    let mut cursor = Cursor::new(bytes);
    let fail = |e| Error::Io { path: source.path.into(), action: "read", source: e };
    for (i, facet) in stl_io::create_stl_reader(&mut cursor).map_err(fail)?.enumerate() {
        let corners = facet.map_err(fail)?.vertices.map(|v| v.0);
        if !corners.as_flattened().iter().all(|c| c.is_finite()) {
            return Err(source.bad(
                format!("facet {i}"),
                "a coordinate is not a finite number",
                "export it again",
            ));
        }
        builder.push(corners.map(|c| Point::from(c.map(f64::from))));
    }
    let note = format!("bytes after the last facet that were passed over: {beyond}");
    Ok(builder.finish()?.noted((beyond > 0).then_some(note)))
}

/// Words of a text file with the number of their line.
struct Words<'a> {
    rest: &'a [u8],
    line: usize,
}

impl<'a> Words<'a> {
    fn next(&mut self) -> Option<&'a [u8]> {
        let start = self.rest.iter().position(|b| !b.is_ascii_whitespace())?;
        self.count_lines(start);
        let end = self.rest.iter().position(u8::is_ascii_whitespace).unwrap_or(self.rest.len());
        let (word, rest) = self.rest.split_at(end);
        self.rest = rest;
        Some(word)
    }

    fn rest_of_line(&mut self) -> &'a [u8] {
        let end = self.rest.iter().position(|b| matches!(b, b'\n' | b'\r'));
        let (line, rest) = self.rest.split_at(end.unwrap_or(self.rest.len()));
        self.rest = rest;
        line.trim_ascii()
    }

    fn count_lines(&mut self, bytes: usize) {
        let (skipped, rest) = self.rest.split_at(bytes);
        self.line += skipped.iter().filter(|&&b| b == b'\n').count();
        self.rest = rest;
    }
}

struct TextReader<'a> {
    source: &'a Source<'a>,
    words: Words<'a>,
}

/// Reads the text kind. Forgiven: letter case, any white space, missing or repeated names,
/// missing or wrong normals (the winding counts), a missing `endsolid`, bytes that are no UTF-8
/// in names. Not forgiven: corners that are missing, too many, or no numbers.
fn read_text(source: &Source<'_>, bytes: &[u8]) -> Result<Vec<Mesh>> {
    let words = Words { rest: skip_mark(bytes), line: 1 };
    let mut reader = TextReader { source, words };
    let mut done = Vec::new();
    let mut current: Option<Builder> = None;
    while let Some(word) = reader.words.next() {
        if word.eq_ignore_ascii_case(b"facet") {
            let corners = reader.facet()?;
            current.get_or_insert_with(|| Builder::new(stem(source.path), 0)).push(corners);
        } else if word.eq_ignore_ascii_case(b"solid") {
            let name = String::from_utf8_lossy(reader.words.rest_of_line()).into_owned();
            let name = if name.is_empty() { stem(source.path) } else { name };
            done.extend(current.replace(Builder::new(name, 0)));
        } else if word.eq_ignore_ascii_case(b"endsolid") {
            reader.words.rest_of_line();
            done.extend(current.take());
        } else {
            return Err(reader.unexpected("'facet' or 'endsolid'", word));
        }
    }
    done.extend(current);
    done.into_iter().map(Builder::finish).collect()
}

impl<'a> TextReader<'a> {
    fn facet(&mut self) -> Result<[Point; 3]> {
        // The normal is skipped: exporters leave it out, zero it or get it wrong.
        let mut word = self.word("'outer loop'")?;
        for _ in 0..4 {
            if !word.eq_ignore_ascii_case(b"outer") {
                word = self.word("'outer loop'")?;
            }
        }
        if !word.eq_ignore_ascii_case(b"outer") {
            return Err(self.unexpected("'outer loop'", word));
        }
        self.expect("loop")?;
        let corners = [self.vertex()?, self.vertex()?, self.vertex()?];
        self.expect("endloop")?;
        self.expect("endfacet")?;
        Ok(corners)
    }

    fn vertex(&mut self) -> Result<Point> {
        self.expect("vertex")?;
        Ok(Point::new(self.number()?, self.number()?, self.number()?))
    }

    fn number(&mut self) -> Result<f64> {
        let word = self.word("a coordinate")?;
        std::str::from_utf8(word)
            .ok()
            .and_then(|w| w.parse::<f64>().ok())
            .filter(|c| c.is_finite())
            .ok_or_else(|| self.unexpected("a finite coordinate", word))
    }

    fn expect(&mut self, wanted: &str) -> Result<()> {
        let word = self.word(wanted)?;
        if word.eq_ignore_ascii_case(wanted.as_bytes()) {
            return Ok(());
        }
        Err(self.unexpected(&format!("'{wanted}'"), word))
    }

    fn word(&mut self, wanted: &str) -> Result<&'a [u8]> {
        let line = self.words.line;
        match self.words.next() {
            Some(word) => Ok(word),
            None => Err(self.source.bad(
                format!("line {line}"),
                format!("the file ends where {wanted} should stand"),
                "it is cut short; export or copy it again",
            )),
        }
    }

    fn unexpected(&self, wanted: &str, found: &[u8]) -> Error {
        let shown: String = String::from_utf8_lossy(found).chars().take(24).collect();
        self.source.bad(
            format!("line {}", self.words.line),
            format!("found '{shown}' where {wanted} should stand"),
            "this is no sound text STL; export it again, best as binary",
        )
    }
}

/// Writes all items as one binary file.
pub(super) fn write(path: &Path, items: &[Item<'_>]) -> Result<()> {
    let count: usize = items.iter().map(|i| i.mesh.triangles().len()).sum();
    if u32::try_from(count).is_err() {
        return Err(Error::Limit {
            place: path.display().to_string(),
            value: count as f64,
            limit: f64::from(u32::MAX),
            unit: "facets",
            remedy: "write fewer parts to a file".into(),
        });
    }
    let facets: Vec<stl_io::Triangle> = items
        .iter()
        .flat_map(|item| {
            let points: Vec<Point> = item.mesh.vertices().iter().map(|v| item.pose * v).collect();
            item.mesh.triangles().iter().map(move |t| {
                let [a, b, c] = t.map(|v| points[v as usize]);
                let normal = (b - a).cross(&(c - a));
                let normal = normal.try_normalize(0.0).unwrap_or_default();
                stl_io::Triangle {
                    normal: stl_io::Normal::new(normal.map(|c| c as f32).into()),
                    vertices: [a, b, c]
                        .map(|p| stl_io::Vertex::new(p.map(|c| c as f32).coords.into())),
                }
            })
        })
        .collect();
    write_atomic(path, |w| stl_io::write_stl(w, facets.iter()))
}
