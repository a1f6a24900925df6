//! Files that appear whole or not at all: a job cut short must not leave half a plate behind.

use crate::error::{Error, Result};
use std::fs::{self, File, OpenOptions};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};

/// Lets `fill` write to a new file beside `path`, then puts it in place of `path`.
///
/// # Errors
/// [`Error::Io`]; `path` is then as it was, or whole but not surely on the disk.
pub(crate) fn write_atomic(
    path: &Path,
    fill: impl FnOnce(&mut BufWriter<File>) -> io::Result<()>,
) -> Result<()> {
    let fail = |source| Error::Io { path: path.into(), action: "write", source };
    let temporary = beside(path).map_err(fail)?;
    let result = fill_new(&temporary, fill)
        .and_then(|()| fs::rename(&temporary, path))
        .and_then(|()| sync_folder_of(path));
    if result.is_err() {
        // Already failing: that the leftover may stay is no news.
        let _ = fs::remove_file(&temporary);
    }
    result.map_err(fail)
}

fn fill_new(
    temporary: &Path,
    fill: impl FnOnce(&mut BufWriter<File>) -> io::Result<()>,
) -> io::Result<()> {
    let file = OpenOptions::new().write(true).create_new(true).open(temporary)?;
    let mut writer = BufWriter::with_capacity(1 << 16, file);
    fill(&mut writer)?;
    writer.flush()?;
    writer.get_ref().sync_all()
}

/// Waits until the folder's names are on the disk, where the system can open folders.
fn sync_folder_of(path: &Path) -> io::Result<()> {
    if cfg!(windows) {
        return Ok(());
    }
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty());
    File::open(folder.unwrap_or(Path::new(".")))?.sync_all()
}

/// A name nobody else uses, in the same folder, so that renaming cannot cross file systems.
fn beside(path: &Path) -> io::Result<PathBuf> {
    static COUNT: AtomicU64 = AtomicU64::new(0);
    let name = path
        .file_name()
        .ok_or_else(|| io::Error::new(io::ErrorKind::InvalidInput, "it names no file"))?;
    let count = COUNT.fetch_add(1, Ordering::Relaxed);
    let mut hidden = std::ffi::OsString::from(".");
    hidden.push(name);
    hidden.push(format!(".{}-{count}.tmp", std::process::id()));
    Ok(path.with_file_name(hidden))
}
