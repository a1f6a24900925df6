"""A part's own page: what it says against the check, and how it moves in a real browser."""

from __future__ import annotations

import base64
import json
import re
from collections.abc import Iterator
from importlib import resources
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest
from browser import BROWSER, Tab, tab
from test_page import HOSTILE, Reader
from test_page import run as crates

import vatwright as vw
from vatwright import part_page, plates
from vatwright.types import Severity

in_browser = pytest.mark.skipif(BROWSER is None, reason="Chromium is not installed")


def data_of(text: str) -> dict[str, Any]:
    found = re.search(r'<script type="application/json" id="data">(.*?)</script>', text)
    assert found is not None
    told: dict[str, Any] = json.loads(found[1])
    return told


@pytest.fixture(scope="module")
def bowl(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, vw.Report]:
    """A bowl upside down on its rim, which seals: a folder with its pages, and its check."""
    setup = vw.Setup.load("desk-50um")
    rough = setup.replace(exposure=setup.exposure.replace(layer_mm=0.1))
    body = vw.shapes.bowl(8.0, 1.5)
    flip = [[1.0, 0.0, 0.0], [0.0, -1.0, 0.0], [0.0, 0.0, -1.0]]
    part = vw.Part(body, name="dome").turned(flip)
    checked = vw.Check().apply(part, rough).report
    packed = vw.Pack().apply([part], rough)
    folder = tmp_path_factory.mktemp("bowl")
    plates.save(packed, rough, folder, before=[checked])
    return folder, checked


def test_the_page_says_what_the_check_says(bowl: tuple[Path, vw.Report]) -> None:
    folder, checked = bowl
    text = (folder / "pages" / "dome.html").read_text(encoding="utf-8")
    data = data_of(text)
    n = checked.numbers
    assert data["layers"] == n["layers"] and data["at"] == sorted(set(data["at"]))
    assert max(data["solid_mm2"]) == pytest.approx(n["peak_section_mm2"], abs=0.01)
    assert max(data["sealed_mm2"]) > 0
    assert len(data["masks"]) == len(data["at"]) <= part_page.LAYERS + 2 * part_page.MARKED
    assert all(base64.b64decode(mask).startswith(b"\x89PNG") for mask in data["masks"])
    # Every shown layer with a sealed area has its ring where the bowl's middle is.
    rings = [m for k in data["marks"].values() for m in k if m[0] == "sealed"]
    assert rings and len({round(r[1]) for r in rings}) <= 2
    read = Reader(text)
    for finding in checked.findings:
        assert finding.message in read.text
        if finding.layers is not None:
            assert f'href="#layer-{finding.layers[0]}"' in text
    assert f"{n['peak_peel_n']:.3g} N" in read.text
    assert f"{100 * (1 - n['peak_bond_use']):.0f} %" in read.text
    for word in ("peak_", "_mm2", "None", "nan"):
        assert word not in read.text, word


def points(text: str, kind: str) -> list[tuple[float, float]]:
    """Corners of a drawn curve."""
    found = re.search(rf'<poly\w+ class="{kind}" points="([^"]*)"', text)
    assert found is not None, kind
    pairs = [pair.split(",") for pair in found[1].split()]
    return [(float(x), float(y)) for x, y in pairs]


def test_pull_and_reserve_over_the_height_are_those_of_the_check(setup: vw.Setup) -> None:
    gear = vw.Recipe([vw.Raft(), vw.Support(), vw.Check()])
    done = gear.apply(vw.Part(vw.shapes.gear(1.0, 18, 5.0, 5.0), name="clock gear"), setup)
    part, check = done.value, done.report.inner[-1]
    profile, n = check.data["profile"], check.numbers
    text = part_page.to_html(part, setup, checked=n, profile=profile)
    data, read = data_of(text), Reader(text)
    steps = -(-profile["layers"] // profile["each"])
    assert len(data["pull_n"]) == len(data["reserve"]) == steps == len(profile["bond_use"])
    peaks = [n[f"peak_{kind}_use"] for kind in ("tip", "bar", "column", "section", "bond")]
    assert min(data["reserve"]) == pytest.approx(100 * (1 - max(peaks)), abs=0.6)
    assert max(data["pull_n"]) == pytest.approx(n["peak_peel_n"] + n["peak_suction_n"], rel=2e-3)
    # The curve: its highest corner at the greatest pull, all of it from plate to top.
    curve = points(text, "pull")
    assert min(y for _, y in curve) == 0 and curve[-1] == (profile["layers"], 60)
    (top, _) = min(curve, key=lambda corner: corner[1])
    assert data["pull_n"][int(top) // profile["each"]] == max(data["pull_n"])
    assert "no suction" in read.text and "limit: 0 %" in read.text
    # Hooke: the pull that stretches film and frame by the whole lift.
    m = setup.machine
    limit = m.lift_mm / (m.film_compliance_mm_n + 1 / m.frame_stiffness_n_mm)
    assert f"up to {limit:.0f} N" in read.text and f"limit {limit:.0f} N" not in read.text
    # A limit that is near or passed is drawn: where it is, and in red what is beyond.
    most = max(profile["pull_n"])
    worse = {**profile, "pull_limit_n": most / 2, "bond_use": [1.5] * steps}
    text = part_page.to_html(part, setup, checked=n, profile=worse)
    lines = [float(y) for y in re.findall(r'class="limit" [^>]*y1="([\d.]+)"', text)]
    assert lines == pytest.approx([30.0, 60 / 1.5], abs=0.1)
    assert text.count('class="beyond"') == steps
    assert "at least -50 %" in Reader(text).text and "bond to the plate" in Reader(text).text
    # A profile of other layers is not drawn over these.
    other = part_page.to_html(part, setup, checked=n, profile={**profile, "layers": 7})
    assert 'class="pull"' not in other and "each" not in data_of(other)


def test_layers_and_pictures_are_bounded(tmp_path: Path) -> None:
    figure = vw.Part(vw.shapes.figure(2, 60.0, 20_000), name="porter")
    text = part_page.to_html(figure, vw.Setup())
    assert len(data_of(text)["at"]) <= part_page.LAYERS + 2 * part_page.MARKED
    assert len(text.encode()) < 250_000
    assert "Nothing was found" in Reader(text).text


def test_the_index_leads_to_pages_and_does_not_bring_them(tmp_path: Path) -> None:
    _, text = crates(HOSTILE, tmp_path)
    links = [a["href"] or "" for t, a in Reader(text).tags if t == "a" and "href" in a]
    pages = [link for link in links if link.startswith("pages/")]
    assert len(pages) == len(HOSTILE) == len(set(pages))
    assert len(list((tmp_path / "pages").iterdir())) == len(HOSTILE)
    assert not (tmp_path / "pages" / "x").exists() and "application/json" not in text
    for page in (tmp_path / "pages").iterdir():
        told = page.read_text(encoding="utf-8")
        read = Reader(told)
        kinds = [a.get("type") for t, a in read.tags if t == "script"]
        assert kinds == ["application/json", None]
        assert not {t for t, _ in read.tags} & {"iframe", "object", "embed", "link", "form"}
        assert not any(k.startswith("on") for _, a in read.tags for k in a)
        assert not re.search("[\x00-\x08\x0b-\x1f\u202a-\u202e\u2066-\u2069]", told)
        policy = next(a for _, a in read.tags if a.get("http-equiv"))["content"]
        assert policy is not None and "default-src 'none'" in policy


def test_pages_tell_how_far_they_are_and_can_be_stopped(tmp_path: Path) -> None:
    names = ("crate", "trunk", "case")
    told: list[tuple[str, float]] = []
    crates(names, tmp_path, progress=lambda stage, share: told.append((stage, share)))
    pages = [stage for stage, _ in told if stage.startswith("page of")]
    assert pages == [f"page of {name}" for name in names]
    shares = [share for _, share in told]
    assert shares == sorted(shares) and shares[0] >= 0 and shares[-1] < 1
    before = {p.name: p.read_bytes() for p in tmp_path.glob("*.*")}

    def stop(stage: str, share: float) -> None:
        if share > 0.5:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        crates(("lamp", "post", "arm"), tmp_path, progress=stop)
    assert {p.name: p.read_bytes() for p in tmp_path.glob("*.*")} == before


def test_findings_without_or_beyond_the_layers_do_no_harm() -> None:
    part = vw.Part(vw.shapes.cuboid(3.0, 3.0, 2.0), name="crate")

    def found(severity: Severity, **where: Any) -> vw.Finding:
        return vw.Finding(code="cup", severity=severity, part="crate", message="m", **where)

    findings = [
        found("note"),
        found("fault", layers=(7, 9_999)),
        found("warning", place=(0.0, 0.0, 1.0)),
        found("warning", place=(50.0, 0.0, -3.0), value=2.0, unit="<b>"),
    ]
    text = part_page.to_html(part, vw.Setup(), findings=findings)
    assert re.findall(r'href="#layer-(\d+)"', text) == ["7", "20", "0"]
    assert "layers 7–39" in text and "<b>" not in text


@pytest.fixture(scope="module")
def browser(
    bowl: tuple[Path, vw.Report], tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Tab]:
    with tab(tmp_path_factory.mktemp("profile")) as opened:
        yield opened


def state(browser: Tab) -> tuple[int, int, str]:
    """The layer as slider, curves' lines and picture have it."""
    told = browser.run(
        "(() => { const i = Number(document.getElementById('layer').value);"
        "const data = JSON.parse(document.getElementById('data').textContent);"
        "const at = [...document.querySelectorAll('.cursor')].map(c => c.getAttribute('x1') - 0.5);"
        "const same = document.getElementById('mask').src.endsWith(data.masks[i]);"
        "return [data.at[i], at.every(k => k === at[0]) ? at[0] : -1,"
        "same ? document.getElementById('told').textContent : 'another picture']; })()"
    )
    return told[0], told[1], told[2]


@in_browser
def test_slider_curves_and_findings_move_together(
    bowl: tuple[Path, vw.Report], browser: Tab
) -> None:
    folder, checked = bowl
    browser.size(1200, 900)
    browser.open(folder / "pages" / "dome.html")
    assert state(browser)[:2] == (0, 0)
    browser.run("document.getElementById('layer').focus()")
    for _ in range(3):
        browser.key("ArrowRight", 39)
    layer, line, told = state(browser)
    assert layer == line == 3 and told.startswith("3, done at 0.40 mm")
    # The curve moves the slider, at the place that was clicked.
    browser.click(".area-plot", across=0.5)
    layer, line, told = state(browser)
    half = checked.numbers["layers"] / 2
    assert layer == line and abs(layer - half) <= 1 and told.startswith(f"{layer},")
    # And so does a finding.
    links = browser.run(
        "[...document.querySelectorAll('#findings a[href^=\"#layer-\"]')].map(a => a.hash)"
    )
    assert links
    for hash_ in dict.fromkeys(links):
        browser.click(f'#findings a[href="{hash_}"]')
        assert state(browser)[:2] == (int(hash_[7:]),) * 2
        top = browser.run("document.getElementById('layers').getBoundingClientRect().top")
        assert abs(top) < 450
    assert browser.said == []
    assert {a.partition(":")[0] for a in browser.asked} <= {"file", "data"}
    assert sum(a.startswith("file:") for a in browser.asked) == 1


@in_browser
def test_a_link_to_a_layer_shows_it(bowl: tuple[Path, vw.Report], browser: Tab) -> None:
    browser.open(bowl[0] / "pages" / "dome.html", "#layer-20")
    assert state(browser)[:2] == (20, 20)
    assert browser.run("document.querySelectorAll('#marks circle').length") >= 1


@in_browser
def test_phone_dark_and_print(bowl: tuple[Path, vw.Report], browser: Tab) -> None:
    browser.size(390, 844)
    browser.open(bowl[0] / "pages" / "dome.html")
    assert browser.run("document.documentElement.scrollWidth") <= 390
    paper = "getComputedStyle(document.body).backgroundColor"
    light = browser.run(paper)
    dark = [{"name": "prefers-color-scheme", "value": "dark"}]
    browser.call("Emulation.setEmulatedMedia", features=dark)
    assert browser.run(paper) != light
    browser.call("Emulation.setEmulatedMedia", media="print", features=[])
    assert browser.run("getComputedStyle(document.querySelector('#layer')).display") == "none"
    assert browser.run("getComputedStyle(document.querySelector('#curves svg')).display") != "none"
    browser.call("Emulation.setEmulatedMedia", media="", features=[])


@in_browser
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_an_accessibility_checker_finds_nothing(
    bowl: tuple[Path, vw.Report], browser: Tab, scheme: str
) -> None:
    """axe-core, which checks against WCAG 2.1; its script alone is used of the package."""
    if find_spec("axe_core_python") is None:
        pytest.skip("axe-core-python is not installed")
    axe = resources.files("axe_core_python").joinpath("axe.min.js").read_text(encoding="utf-8")
    browser.call(
        "Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": scheme}]
    )
    for page in ("index.html", "report.html", "pages/dome.html"):
        browser.open(bowl[0] / page)
        browser.run(f"{axe};0")
        found = browser.run(
            "axe.run().then(r => r.violations.map(v => [v.id, v.nodes.map(n => n.html)]))"
        )
        assert found == [], page
    browser.call("Emulation.setEmulatedMedia", features=[])


@in_browser
def test_names_do_no_harm_in_the_browser(tmp_path: Path, browser: Tab) -> None:
    crates(HOSTILE, tmp_path)
    before = len(browser.said)
    for page in sorted((tmp_path / "pages").iterdir()):
        browser.open(page)
        assert browser.run("document.querySelectorAll('script').length") == 2
        assert browser.run("document.querySelectorAll('h1 bdi *').length") == 0
        assert state(browser)[:2] == (0, 0)
    assert browser.said[before:] == []
