//! OBJ: vertices, faces of any number of corners, and the names of objects; all else is skipped.

use super::{Builder, Source, stem};
use crate::error::{Error, Result};
use crate::mesh::{Mesh, Point, polygon};

/// Whether the first statement of the file is one an OBJ begins with.
pub(super) fn is_text(bytes: &[u8]) -> bool {
    let first = bytes
        .split(|&b| b == b'\n')
        .map(<[u8]>::trim_ascii)
        .find(|line| !line.is_empty() && !line.starts_with(b"#"));
    first.is_some_and(|line| {
        let word = line.split(u8::is_ascii_whitespace).next().unwrap_or_default();
        matches!(word, b"v" | b"o" | b"g" | b"mtllib" | b"vn" | b"vt" | b"s")
    })
}

/// Reads every object that has faces.
pub(super) fn read(source: &Source<'_>, mut bytes: Vec<u8>) -> Result<Vec<Mesh>> {
    join_lines(&mut bytes);
    let mut vertices: Vec<Point> = Vec::new();
    let mut done = Vec::new();
    let mut current = Builder::new(stem(source.path), 0);
    let mut ring = Vec::new();
    for (i, line) in bytes.split(|&b| b == b'\n').enumerate() {
        let line = ObjLine { source, number: i + 1, text: line.trim_ascii() };
        let mut words = line.text.split(u8::is_ascii_whitespace).filter(|w| !w.is_empty());
        match words.next() {
            Some(b"v") => vertices.push(line.point(words)?),
            Some(b"f") => {
                ring.clear();
                for word in words {
                    ring.push(line.corner(word, &vertices)?);
                }
                if ring.len() < 3 {
                    return Err(line.bad(format!("a face of {} corners", ring.len())));
                }
                for corners in polygon::triangulate(&ring) {
                    current.push(corners.map(|c| ring[c]));
                }
            }
            Some(b"o") => {
                let name = String::from_utf8_lossy(line.text[1..].trim_ascii()).into_owned();
                let name = if name.is_empty() { stem(source.path) } else { name };
                done.push(std::mem::replace(&mut current, Builder::new(name, 0)));
            }
            _ => {}
        }
    }
    done.push(current);
    done.retain(|object| !object.triangles.is_empty());
    if done.is_empty() {
        return Err(source.bad("faces", "there are none", "check what was exported"));
    }
    done.into_iter().map(Builder::finish).collect()
}

/// A backslash at the end of a line joins it with the next.
fn join_lines(bytes: &mut [u8]) {
    for i in 0..bytes.len() {
        if bytes[i] == b'\\' {
            let end = i + 1 + usize::from(bytes.get(i + 1) == Some(&b'\r'));
            if bytes.get(end) == Some(&b'\n') {
                bytes[i..=end].fill(b' ');
            }
        }
    }
}

struct ObjLine<'a> {
    source: &'a Source<'a>,
    number: usize,
    text: &'a [u8],
}

impl ObjLine<'_> {
    fn bad(&self, problem: String) -> Error {
        self.source.bad(format!("line {}", self.number), problem, "export it again")
    }

    fn point<'w>(&self, words: impl Iterator<Item = &'w [u8]>) -> Result<Point> {
        let coordinates: Vec<f64> = words
            .take(3)
            .map_while(|w| std::str::from_utf8(w).ok()?.parse().ok())
            .filter(|c: &f64| c.is_finite())
            .collect();
        match coordinates[..] {
            [x, y, z] => Ok(Point::new(x, y, z)),
            _ => Err(self.bad("a vertex needs three finite coordinates".into())),
        }
    }

    /// The vertex of a corner such as `7`, `7/1`, `7//3` or `-1`.
    fn corner(&self, word: &[u8], vertices: &[Point]) -> Result<Point> {
        let index = word.split(|&b| b == b'/').next().unwrap_or_default();
        let number = std::str::from_utf8(index).ok().and_then(|w| w.parse::<i64>().ok());
        let from_start = number.and_then(|i| match i {
            1.. => usize::try_from(i - 1).ok(),
            _ => vertices.len().checked_sub(usize::try_from(i.checked_neg()?).ok()?),
        });
        from_start.and_then(|i| vertices.get(i).copied()).ok_or_else(|| {
            let shown: String = String::from_utf8_lossy(word).chars().take(24).collect();
            self.bad(format!("a face refers to vertex '{shown}' of {}", vertices.len()))
        })
    }
}
