"""What is kept on disk: believed only as far as its digests hold, and nobody else's is touched."""

import csv
import json
import random
import shutil
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from shapes import box
from test_batch import contents, write_boxes

import vatwright as vw
from vatwright.disk import safe_name, unique_names

RECIPE = vw.Recipe([])


def run(paths: list[Path], out: Path, **options: object) -> vw.Batch:
    return vw.batch(paths, RECIPE, out=out, executor=ThreadPoolExecutor(2), **options)  # type: ignore[arg-type]


@pytest.mark.parametrize("name", ["part.cbor", "part.3mf", "report.json", "outcome.json"])
@pytest.mark.parametrize("harm", ["cut", "emptied", "flipped", "swapped", "gone", "text"])
def test_damaged_work_is_made_again(tmp_path: Path, name: str, harm: str) -> None:
    paths, out = write_boxes(tmp_path, 2), tmp_path / "out"
    first = run(paths, out)
    before = contents(out)
    folders = [out / o.folder for o in first.outcomes]
    file = folders[0] / name
    data = file.read_bytes()
    place = random.Random(name + harm).randrange(len(data))
    harmed = {
        "cut": data[:place],
        "emptied": b"",
        "flipped": data[:place] + bytes([data[place] ^ 4]) + data[place + 1 :],
        "swapped": (folders[1] / name).read_bytes(),
        "text": b"[" * 100_000,
    }
    if harm == "gone":
        file.unlink()
    else:
        file.write_bytes(harmed[harm])
    if name in {"part.cbor", "report.json"}:
        with pytest.raises(vw.FormatError, match=name):
            first.parts() if name == "part.cbor" else first.reports()
    second = run(paths, out)
    assert [o.status for o in second.outcomes] == ["done", "kept"]
    assert name in second.outcomes[0].message
    assert contents(out) == before
    assert len(second.parts()) == len(second.reports()) == 2
    aside = out / "superseded" / "damaged" / folders[0].name
    assert harm == "gone" or (aside / name).read_bytes() == harmed[harm]
    assert [o.status for o in run(paths, out).outcomes] == ["kept", "kept"]


def test_a_whole_folder_in_the_place_of_another_is_not_believed(tmp_path: Path) -> None:
    paths, out = write_boxes(tmp_path, 2), tmp_path / "out"
    one, other = (out / o.folder for o in run(paths, out).outcomes)
    before = contents(out)
    shutil.rmtree(one)
    shutil.copytree(other, one)
    assert [o.status for o in run(paths, out).outcomes] == ["done", "kept"]
    assert contents(out) == before


@pytest.mark.parametrize("kind", ["file", "link", "strangers"])
def test_what_is_not_ours_stops_that_part_alone(tmp_path: Path, kind: str) -> None:
    paths, out = write_boxes(tmp_path, 2), tmp_path / "out"
    folder = out / run(paths, out).outcomes[0].folder
    elsewhere = tmp_path / "mine"
    elsewhere.mkdir()
    (elsewhere / "diary.txt").write_text("dear diary")
    if kind == "strangers":
        (folder / "notes.txt").write_text("ask Ada")
        (folder / "part.cbor").unlink()
    else:
        shutil.rmtree(folder)
        if kind == "file":
            folder.write_text("mine")
        else:
            folder.symlink_to(elsewhere)
    done = run(paths, out)
    assert [o.status for o in done.outcomes] == ["failed", "kept"]
    assert done.outcomes[0].code == "io"
    assert folder.name in done.outcomes[0].message
    assert done.outcomes[0].remedy
    assert (elsewhere / "diary.txt").read_text() == "dear diary"
    if kind == "file":
        assert folder.read_text() == "mine"
    if kind == "strangers":
        assert (folder / "notes.txt").read_text() == "ask Ada"


def test_a_file_of_the_users_beside_whole_work_does_no_harm(tmp_path: Path) -> None:
    paths, out = write_boxes(tmp_path, 1), tmp_path / "out"
    folder = out / run(paths, out).outcomes[0].folder
    (folder / "notes.txt").write_text("ask Ada")
    assert [o.status for o in run(paths, out).outcomes] == ["kept"]
    assert (folder / "notes.txt").exists()


def test_parts_of_another_run_move_aside_and_are_found_again(tmp_path: Path) -> None:
    paths, out = write_boxes(tmp_path, 3), tmp_path / "out"
    first = run(paths, out)
    parts = first.parts()
    run(paths[:1], out)
    assert len(list((out / "parts").iterdir())) == 1
    assert first.parts() == parts  # still to be had by who holds the first batch
    again = run(paths, out)
    assert [o.status for o in again.outcomes] == ["kept"] * 3
    assert again.parts() == parts
    assert not list((out / "superseded" / "parts").iterdir())
    # What shorter and other runs said is not lost.
    assert (out / "superseded" / "1" / "table.csv").exists()
    assert len((out / "table.csv").read_text().splitlines()) == 4


def test_a_damaged_manifest_or_table_stops_nothing(tmp_path: Path) -> None:
    paths, out = write_boxes(tmp_path, 1), tmp_path / "out"
    run(paths, out)
    for name in ("manifest.json", "table.json"):
        for data in (b"", b"\xff", b"[" * 100_000, b"[1]", b'{"files": 3, "made_by": "vatwright"}'):
            (out / name).write_bytes(data)
            assert [o.status for o in run(paths, out).outcomes] == ["kept"]
            assert json.loads((out / name).read_bytes())


def test_a_manifest_and_folders_of_somebody_elses_are_kept(tmp_path: Path) -> None:
    paths, out = write_boxes(tmp_path, 1), tmp_path / "out"
    (out / ".work-of-mine").mkdir(parents=True)
    (out / "manifest.json").write_text('{"files": {"tables": {"notes.txt": ""}}}')
    (out / "notes.txt").write_text("mine")
    run(paths, out)
    assert (out / ".work-of-mine").exists()
    assert (out / "notes.txt").read_text() == "mine"
    assert "notes.txt" in (out / "superseded" / "1" / "manifest.json").read_text()


def test_a_manifest_leads_nowhere_else(tmp_path: Path) -> None:
    paths, out = write_boxes(tmp_path, 1), tmp_path / "out"
    run(paths, out)
    names = ["../crate 0.stl", str(paths[0]), "..", "", "parts/../../crate 0.stl", "..\\x"]
    files = {"tables": dict.fromkeys(names, "0")}
    (out / "manifest.json").write_text(json.dumps({"made_by": "vatwright 1", "files": files}))
    run(paths, out)
    assert paths[0].exists()


@pytest.mark.parametrize(
    ("given", "safe"),
    [
        ("Zwölf Ritter – 兵", "Zwölf Ritter – 兵"),
        ("Bahnhofsvorsteher (1:87)", "Bahnhofsvorsteher (1_87)"),
        ("پرچم\u200cدار", "پرچم\u200cدار"),
        ("e\u0301cluse", "écluse"),
        ("nul", "_nul"),
        ("COM1.backup", "_COM1.backup"),
        ("LPT²", "_LPT²"),
        ("console", "console"),
        ("wagon. . ", "wagon"),
        ("a\x00b\x1bc\x85d\u2028e", "a_b_c_d_e"),
        ("gpj.\u202eexe", "gpj._exe"),
        ("\udcff\udcfe", "_"),
        ("  .hidden", "hidden"),
        ("", "part"),
        ("...", "part"),
    ],
)
def test_names_keep_their_script(given: str, safe: str) -> None:
    # Forbidden characters, devices and ends: Microsoft, "Naming files, paths, and namespaces",
    # from memory; NUL and / by POSIX.
    assert safe_name(given) == safe
    assert safe_name(safe) == safe


def test_long_names_are_cut_between_letters(tmp_path: Path) -> None:
    for text in ("兵" * 500, "a" + "é" * 500, "x" * 119 + " . . ."):
        safe = safe_name(text)
        assert 100 < len(safe.encode()) <= 120
        assert text.startswith(safe) or safe == "x" * 119
        (tmp_path / safe).write_text("")


def test_equal_names_are_numbered() -> None:
    assert unique_names(["body", "Body", "body 2", "lamp", "body"]) == [
        "body",
        "Body 3",
        "body 2",
        "lamp",
        "body 4",
    ]


def test_files_of_one_name_are_parts_of_two(tmp_path: Path) -> None:
    paths = []
    for i, folder in enumerate(("knight", "stoker")):
        (tmp_path / folder).mkdir()
        paths.append(tmp_path / folder / "Körper – 兵.stl")
        box(5.0 + i).save(paths[-1])
    done = run(paths, tmp_path / "out")
    assert [o.name for o in done.outcomes] == ["Körper – 兵", "Körper – 兵 2"]
    assert [p.name for p in done.parts()] == ["Körper – 兵", "Körper – 兵 2"]
    assert all(Path(o.folder).name.startswith(o.name) for o in done.outcomes)


def test_names_are_no_formulas_in_a_spreadsheet(tmp_path: Path) -> None:
    # OWASP, "CSV injection", from memory: = + - @ tab and carriage return.
    names = ["=1+1", "+1", "-1", "@SUM(A1)", "\tx", "\rx", "＝1", "lamp"]
    paths = []
    for name in names:
        paths.append(tmp_path / f"{name}.stl")
        box(5.0).save(paths[-1])
    done = subprocess.run(
        [sys.executable, "-c", SHELL, *[p.name for p in paths]],
        cwd=tmp_path,
        check=True,
        capture_output=True,
    )
    assert not done.stderr
    with (tmp_path / "out" / "table.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert [r["source"] for r in rows] == [f"'{n}.stl" for n in names[:-1]] + ["lamp.stl"]
    assert not any(str(v).startswith(tuple("=+-@\t\r")) for row in rows for v in row.values())


SHELL = """
import sys
from concurrent.futures import ThreadPoolExecutor
import vatwright as vw
vw.batch(sys.argv[1:], vw.Recipe([]), out="out", executor=ThreadPoolExecutor(1))
"""
