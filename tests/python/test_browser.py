"""The morning page in a real browser, opened from disk: its script runs, nothing else does."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest
from test_page import HOSTILE, Reader, run

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")

pytestmark = pytest.mark.skipif(BROWSER is None, reason="Chromium is not installed")


def opened(page: Path, *options: str) -> tuple[str, str]:
    """The document as the browser has it after its scripts, and what it said meanwhile."""
    assert BROWSER is not None
    command = [
        BROWSER,
        "--headless=new",
        "--no-sandbox",
        "--disable-gpu",
        "--enable-logging=stderr",
        f"--user-data-dir={page.parent / 'profile'}",
        *options,
        page.as_uri(),
    ]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True)
    return done.stdout, done.stderr


def test_the_page_runs_from_disk_whatever_names_say(tmp_path: Path) -> None:
    run(HOSTILE, tmp_path)
    dom, said = opened(tmp_path / "index.html", "--dump-dom", "--virtual-time-budget=2000")
    assert "CONSOLE" not in said, said
    read = Reader(dom)
    # Clock times stand where only hours after the start stood, and the form for it is shown.
    times = re.findall(r"<time[^>]*><span>(\w{3} \d\d:\d\d) </span>", dom)
    assert len(times) >= 2
    begin = next(a for _, a in read.tags if a.get("class") == "begin")
    assert begin["type"] == "datetime-local"
    assert not any("hidden" in a for _, a in read.tags if a.get("class") == "start")
    # No element came out of a name.
    assert sum(tag == "script" for tag, _ in read.tags) == 1
    images = [a for tag, a in read.tags if tag == "img"]
    assert len(images) == len(HOSTILE)
    assert all((a.get("src") or "").startswith("data:image/png") for a in images)


def test_the_page_prints_on_paper(tmp_path: Path) -> None:
    run(("crate", "lamp"), tmp_path)
    to = tmp_path / "page.pdf"
    opened(tmp_path / "index.html", f"--print-to-pdf={to}")
    assert to.read_bytes().startswith(b"%PDF")
