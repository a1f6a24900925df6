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
    assert [s["plates"] for s in sources] == [["plate 1"], [], [], []]
    report = reports.load(out / "report.json")
    assert json.loads(reports.to_json(report))["sources"] == sources


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


def prepare(files: list[Path], out: Path, recipe: Path, *more: str) -> int:
    # Blocks so large let the resin out slowly.
    more = ("--set", "machine.settle_s=60", *more)
    return main(["prepare", *map(str, files), "--out", str(out), "--recipe", str(recipe), *more])


def crates(folder: Path, count: int) -> list[Path]:
    """Boxes of which three fill a plate."""
    machine = vw.Setup.load("desk-50um").machine
    paths = [folder / f"crate {i}.stl" for i in range(count)]
    for i, path in enumerate(paths):
        box(machine.depth_mm * 0.55 + i).save(path)
    return paths


def names(out: Path) -> set[str]:
    return {p.relative_to(out).as_posix() for p in out.rglob("*") if p.is_file()}


def test_plates_of_an_earlier_run_are_not_left_to_be_printed(tmp_path: Path, recipe: Path) -> None:
    paths, out = crates(tmp_path, 3), tmp_path / "out"
    assert prepare(paths, out, recipe) == 0
    before = {p.name: p.read_bytes() for p in out.glob("*.*")}
    plates = sorted(name for name in before if name.startswith("plate"))
    assert len(plates) >= 6
    assert prepare(paths, out, recipe) == 0
    assert not (out / "superseded" / "1").exists()  # the same work leaves nothing behind
    assert prepare(paths[:1], out, recipe) == 0
    assert sorted(p.name for p in out.glob("plate*")) == [
        "plate 1.3mf",
        "plate 1.stl",
        "plate 1.svg",
    ]
    aside = out / "superseded" / "1"
    for name in [*plates, "report.json", "report.html"]:
        moved, now = aside / name, out / name
        assert (moved if moved.exists() else now).read_bytes() == before[name]
    assert (aside / "plate 2.3mf").exists()
    assert (aside / "table.csv").exists()
    manifest = json.loads((out / "manifest.json").read_text())["files"]
    assert set(manifest["plates"]) | set(manifest["tables"]) == {
        p.relative_to(out).as_posix()
        for pattern in ("[!.m]*.*", "tables/*", "pages/*")
        for p in out.glob(pattern)
    }
    assert prepare(paths[:2], out, recipe) == 0
    assert (out / "superseded" / "2" / "report.json").exists()


def test_a_run_without_any_part_leaves_no_old_plate(tmp_path: Path, recipe: Path) -> None:
    paths, out = crates(tmp_path, 1), tmp_path / "out"
    prepare(paths, out, recipe)
    (tmp_path / "torn.stl").write_bytes(b"")
    assert prepare([tmp_path / "torn.stl"], out, recipe) == 2
    assert not list(out.glob("plate*"))
    assert (out / "superseded" / "1" / "plate 1.3mf").exists()


def test_a_file_of_the_users_is_moved_not_overwritten(tmp_path: Path, recipe: Path) -> None:
    paths, out = crates(tmp_path, 1), tmp_path / "out"
    out.mkdir()
    (out / "plate 1.3mf").write_text("mine")
    (out / "plate 7.stl").write_text("of an earlier version, without a manifest")
    (out / "plan.txt").write_text("mine too")
    assert prepare(paths, out, recipe) == 0
    assert (out / "superseded" / "1" / "plate 1.3mf").read_text() == "mine"
    assert (out / "superseded" / "1" / "plate 7.stl").exists()
    assert (out / "plan.txt").read_text() == "mine too"
    # A plate changed by hand is not lost either.
    (out / "plate 1.stl").write_text("edited")
    assert prepare(paths, out, recipe) == 0
    assert (out / "superseded" / "2" / "plate 1.stl").read_text() == "edited"
    assert (out / "plate 1.stl").read_bytes()[:6] != b"edited"


def test_a_run_that_cannot_write_its_plates_leaves_the_old(
    tmp_path: Path, recipe: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    paths, out = crates(tmp_path, 2), tmp_path / "out"
    prepare(paths, out, recipe)
    before = {name: (out / name).read_bytes() for name in names(out) if "plate" in name}

    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(reports, "save", full)
    assert prepare(paths[:1], out, recipe) == 2
    assert {name: (out / name).read_bytes() for name in names(out) if "plate" in name} == before
    assert not list(out.glob(".vatwright-work-*"))
