"""The morning page: what a person reads of a run, whatever the files were called."""

from __future__ import annotations

import pickle
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

import vatwright as vw
from vatwright import page, plates
from vatwright import report as reports
from vatwright.words import duration, label

HOSTILE = (
    "<img src=x onerror=alert(1)>",
    "]]></svg><script>alert(1)</script>",
    "\u202edlo\u202c right-to-left",
    "bell\x07 and null\x00",
    "שלום עולם",
    "\"quoted' & more",
)
VOID = {"meta", "input", "img", "br", "link", "hr"}


class Reader(HTMLParser):
    """What a browser would make of a page: elements, attributes, text outside of scripts."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.words: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        # Rows and cells may be left open; they end with what they are in.
        while self.open.pop() != tag:
            pass

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] not in {"script", "style"}:
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


def run(names: tuple[str, ...], folder: Path, **more: Any) -> tuple[vw.Report, str]:
    """Small crates of those names on a plate, and the page of it."""
    crate = vw.shapes.cuboid(6.0, 5.0, 4.0)
    parts = [vw.Part(crate, name=name) for name in names]
    packed = vw.Pack().apply(parts)
    folder.mkdir(exist_ok=True)
    report = plates.save(packed, vw.Setup(), folder, **more)
    return report, (folder / "index.html").read_text(encoding="utf-8")


def finding(part: str, severity: str, message: str, **more: Any) -> vw.Finding:
    return vw.Finding(code="island", part=part, severity=severity, message=message, **more)  # type: ignore[arg-type]


def test_names_from_outside_do_no_harm(tmp_path: Path) -> None:
    found = [finding(name, "fault", f"{name} floats", remedy=name) for name in HOSTILE]
    before = [vw.Report(pass_="check", findings=found)]
    _, text = run(HOSTILE, tmp_path, before=before)
    for told in (text, (tmp_path / "report.html").read_text(encoding="utf-8")):
        read = Reader(told)
        kinds = {tag for tag, _ in read.tags}
        assert not kinds & {"iframe", "object", "embed", "link", "base", "form"}
        assert sum(tag == "script" for tag, _ in read.tags) <= 1
        for tag, attributes in read.tags:
            assert not any(name.startswith("on") for name in attributes), (tag, attributes)
            source = attributes.get("src", "data:") or ""
            assert source.startswith("data:"), source
        assert not re.search("[\x00-\x08\x0b-\x1f\u202a-\u202e\u2066-\u2069]", told)
        assert "שלום עולם" in read.text
    # Nothing but what is in the page can be loaded, no script but its own can run.
    policy = next(a for t, a in Reader(text).tags if a.get("http-equiv"))["content"]
    assert policy is not None and "default-src 'none'" in policy and "sha256-" in policy


def test_what_failed_comes_first(tmp_path: Path) -> None:
    lost = vw.Outcome("models/torn <lamp>.stl", "failed", message="it is open", remedy="close it")
    good = vw.Outcome("models/crate.stl", "done", name="crate")
    _, text = run(("crate",), tmp_path, outcomes=(lost, good))
    told = Reader(text).text
    assert told.index("torn <lamp>.stl") < told.index("Plates") + len(told) // 3
    assert "it is open" in told and "close it" in told
    assert "Every file is on a plate" not in told
    html = Reader((tmp_path / "report.html").read_text(encoding="utf-8")).text
    assert html.index("torn <lamp>.stl") < html.index("What was done")
    assert html.index("torn <lamp>.stl") < html.index("Hours")
    _, text = run(("crate",), tmp_path / "good", outcomes=(good,))
    assert "Every file is on a plate" in Reader(text).text


def test_the_riskiest_part_comes_first_with_reason_and_fix(tmp_path: Path) -> None:
    found = [
        finding("b", "warning", "it may bend", value=3.0, limit=2.0, unit="N"),
        finding("c", "fault", "it floats", remedy="support it"),
        finding("a", "note", "fine as it is"),
    ]
    _, text = run(("a", "b", "c", "d"), tmp_path, before=[vw.Report(findings=found)])
    parts = text[text.index('<section id="parts"') :]
    assert re.findall(r"<h3><bdi>(.)</bdi>", parts) == ["c", "b", "a", "d"]
    card = parts[: parts.index("</article>")]
    assert "it floats" in card and "support it" in card
    # No words of the machine where a person reads.
    told = Reader(text).text
    for word in ("island", "time_s", "resin_total_ml", "_mm", "None", "nan"):
        assert word not in told, word


def test_a_plate_that_may_fail_is_no_part(tmp_path: Path) -> None:
    found = [
        finding("plate 1", "warning", "it takes more than the vat holds"),
        finding("a", "warning", "it may bend"),
    ]
    _, text = run(("a", "b"), tmp_path, before=[vw.Report(findings=found)])
    # Both boxes stand on the plate itself and may flare there.
    assert "2 parts and 1 plate may fail" in Reader(text).text


def test_a_plate_says_when_to_do_what(tmp_path: Path) -> None:
    report, text = run(("a", "b"), tmp_path)
    cost = report.inner[-1].data["cost"]
    read = Reader(text)
    times = [float(a["data-at"] or 0) for t, a in read.tags if t == "time"]
    assert times == sorted(times) and times[-1] == round(cost["time_s"])
    assert duration(cost["time_s"]) in read.text
    for moment in cost["moments"]:
        assert moment["why"] in read.text
    assert [on["part"] for on in cost["placed"]] == re.findall(
        r'<li><a href="#part-\d+"><bdi>(.)</bdi>', text
    )
    steps = cost["sheets"][0]["steps"]
    boxes = [a for t, a in read.tags if t == "input" and a.get("type") == "checkbox"]
    assert len(boxes) == 2 * len(steps) or len(boxes) == len(steps) * len(cost["sheets"])
    ids = [a["id"] for _, a in read.tags if "id" in a]
    assert len(ids) == len(set(ids))
    labelled = {a.get("for") for t, a in read.tags if t == "label"}
    assert all(a.get("id") in labelled for t, a in read.tags if t == "input")


def test_notes_of_one_kind_are_one_line() -> None:
    notes = [finding("a", "note", f"{n} of them", value=float(n)) for n in range(9)]
    told = reports.combined([*notes, finding("a", "warning", "look")])
    assert [f.severity for f in told] == ["warning", "note"]
    assert told[1].message == "8 of them (and 8 more of this kind)"
    same = [finding(f"part {n}", "note", "the same") for n in range(30)]
    (row,) = reports.rows(same, {"part 3": ["plate 1"], "part 29": ["plate 2", "plate 1"]})
    assert row[1].endswith("and 26 more") and row[6] == "the same"
    assert row[2] == "plate 1, plate 2"


def test_a_large_run_stays_small(tmp_path: Path) -> None:
    figure = vw.shapes.figure(1, 30.0, 8_000)
    part = vw.Recipe([vw.Raft(), vw.Support()]).apply(vw.Part(figure)).value
    look = part.picture(size_px=plates.LOOK_PX)
    looks = {f"figure {n}": look for n in range(240)}
    one = vw.Pack().apply([part.renamed("figure 0")])
    cost = vw.Estimate().apply(one.value[0]).report
    data = cost.data["cost"]
    placed = [{**data["placed"][0], "part": name} for name in looks]
    sheets = [{**data["sheets"][0], "part": name} for name in looks]
    full = cost.replace(data={"cost": {**data, "placed": placed, "sheets": sheets}})
    found = [finding(name, "warning", "it may bend", remedy="stiffen it") for name in looks]
    text = page.to_html(vw.Report(inner=[full], findings=found), looks=looks)
    assert text.count("<article") == 241
    assert len(text.encode()) < 5e6


def test_the_sheet_says_what_vent_found(setup: vw.Setup) -> None:
    ball = vw.Part(vw.shapes.sphere(20.0, 4_000), name="globe")
    vented = vw.Recipe([vw.Hollow(wall_mm=2.0), vw.Vent()]).apply(ball, setup)
    part = pickle.loads(pickle.dumps(vented.value))
    assert part == vented.value and part.drainage == vented.value.drainage
    numbers = next(r for r in vented.report.inner if r.pass_ == "vent").numbers
    plate = vw.Plate("one", [vw.Placed(part, x_mm=60, y_mm=30)], width_mm=120, depth_mm=68)
    cost = vw.Estimate().apply(plate, setup).value
    sheet = cost.sheets[0]
    assert sheet["drain_s"] == numbers["drain_s"] == part.drainage[0].drain_s
    assert numbers["drain_s"] > 60
    assert sheet["retained_ml"] == pytest.approx(numbers["retained_ml"], rel=1e-12)
    assert cost.trapped_ml == pytest.approx(numbers["retained_ml"], rel=1e-12)
    assert not any("drip off" in step for step in sheet["steps"])
    plugs = [plug["plug"] for cavity in sheet["cavities"] for plug in cavity["plugs"]]
    assert len(plugs) == len(part.vents) == len(set(plugs))
    assert all(part.plugs[v.plug].name in plugs for v in part.vents)


def test_reprs_are_short_and_notebooks_get_pictures(setup: vw.Setup) -> None:
    part = vw.Recipe([vw.Raft(), vw.Support()]).apply(vw.Part(vw.shapes.sphere(5.0, 1000))).value
    part = part.renamed("globe <1>")
    plate = vw.Plate("one", [vw.Placed(part, x_mm=20, y_mm=20)], width_mm=60, depth_mm=40)
    done = vw.Estimate().apply(plate, setup)
    health = vw.diagnose(part.body.mesh)
    layers = part.layers(layer_mm=0.2, pitch_mm=0.2)
    for thing in (part, plate, layers, done.report, done.value, health, setup, done):
        assert len(repr(thing)) < 2000, type(thing)
    for thing in (part, plate, layers, done.report, done.value, health, setup):
        read = Reader(thing._repr_html_())
        assert not read.open and len(read.text) > 20
        assert "<1>" not in thing._repr_html_()
    assert "data:image/png" in part._repr_html_() and "<svg" in plate._repr_html_()
    assert (layers[3] == layers.mask(3)).all() and (
        layers[-1] == layers.mask(len(layers) - 1)
    ).all()
    with pytest.raises(IndexError, match="layer 9999"):
        layers.picture(9999)


def test_pictures_are_pngs_that_others_read(tmp_path: Path) -> None:
    """Against matplotlib's reader: a ball fills π/4 of its square."""
    image = pytest.importorskip("matplotlib.image")
    (tmp_path / "ball.png").write_bytes(vw.Part(vw.shapes.sphere(5.0)).picture(size_px=200))
    pixels = image.imread(tmp_path / "ball.png")
    assert pixels.shape[2] == 4 and abs(pixels.shape[0] - 200) <= 1
    assert pixels[..., 3].mean() == pytest.approx(3.14159 / 4 / 1.04**2, rel=0.02)
    layers = vw.Part(vw.shapes.cuboid(6, 4, 2)).layers(layer_mm=0.5, pitch_mm=0.1)
    (tmp_path / "layer.png").write_bytes(layers.picture(1))
    lit = image.imread(tmp_path / "layer.png")[..., 0] > 0.5
    assert (lit[::-1] == (layers[1] > 0)).all()


def test_words() -> None:
    assert label("peak_peel_n") == "peak peel, N"
    assert label("resin_total_ml") == "resin total, ml"
    assert label("style") == "style"
    assert [duration(s) for s in (0, 45, 60, 90, 7200, 12_345)] == [
        "0 s",
        "45 s",
        "1 min",
        "1 min 30 s",
        "2 h",
        "3 h 26 min",
    ]
