"""What a whole run leaves behind, as the command makes it."""

import json
from pathlib import Path

import pytest
from shapes import box

import vatwright as vw
from vatwright import report as reports
from vatwright.cli import main


@pytest.fixture
def recipe(tmp_path: Path) -> Path:
    path = tmp_path / "recipe.toml"
    path.write_text(vw.Recipe([]).to_toml())
    return path


def test_every_file_and_its_fate_is_in_the_report(tmp_path: Path, recipe: Path) -> None:
    good, bad, large = (tmp_path / f"{name}.stl" for name in ("crate", "torn", "wagon"))
    box(6.0).save(good)
    bad.write_bytes(b"solid nothing\n")
    machine = vw.Setup.load("desk-50um").machine
    box(machine.depth_mm * 0.99).save(large)
    out = tmp_path / "out"
    files = [good, bad, large, tmp_path / "absent.stl"]
    assert main(["prepare", *map(str, files), "--out", str(out), "--recipe", str(recipe)]) == 1
    sources = json.loads((out / "report.json").read_text())["sources"]
    assert [s["path"] for s in sources] == list(map(str, files))
    assert [s["name"] for s in sources] == ["crate", "torn", "wagon", "absent"]
    assert [s["fate"] for s in sources] == ["printed", "failed", "left out", "failed"]
    assert [s["code"] for s in sources] == ["", "format", "unpackable", "io"]
    assert all(s["message"] for s in sources[1:])
    assert all(s["remedy"] for s in sources[1:3])
    assert list(reports.load(out / "report.json").sources) == sources


def test_a_run_without_any_part_has_a_report_too(tmp_path: Path) -> None:
    bad = tmp_path / "torn.stl"
    bad.write_bytes(b"")
    assert main(["prepare", str(bad), "--out", str(tmp_path / "out")]) == 2
    report = reports.load(tmp_path / "out" / "report.json")
    assert [s["fate"] for s in report.sources] == ["failed"]


@pytest.mark.parametrize(
    "bytes_",
    [
        b"\xff\xfe\x00",
        b"[" * 100_000,
        b'{"a":' * 100_000,
        b"null",
        b"[]",
        b'{"numbers": {"a": "b"}}',
        b'{"part": "\\ud800"}',
        b'{"numbers": {"a": 1' + b"0" * 5000 + b"}}",
        b'{"sources": [{"path": "x"}]}',
        b'{"no_such": 1}',
    ],
)
def test_what_is_no_report_is_said_to_be_none(tmp_path: Path, bytes_: bytes) -> None:
    path = tmp_path / "report.json"
    path.write_bytes(bytes_)
    with pytest.raises(vw.FormatError, match=r"report\.json"):
        reports.load(path)
