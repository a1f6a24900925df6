"""report.json against its published schema, judged by the ``jsonschema`` package.

The schema's language is JSON Schema, draft 2020-12 (json-schema.org).
"""

from __future__ import annotations

import copy
import inspect
import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, get_args

import pytest
from jsonschema import Draft202012Validator

import vatwright as vw
from vatwright import plates, types
from vatwright import report as reports
from vatwright._core import FORMAT

SCHEMA = reports.schema()
TOLD = Draft202012Validator(SCHEMA)


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """A run with a hollow, vented, supported part, a gear, a failed file and a small vat."""
    folder = tmp_path_factory.mktemp("run")
    setup = vw.Setup.load("desk-50um")
    setup = setup.replace(machine=setup.machine.replace(vat_ml=6.0))
    stand = [vw.Raft(), vw.Support(), vw.Check()]
    passes = [vw.Orient(directions=12, refine=1), vw.Hollow(wall_mm=2.0), vw.Vent(), *stand]
    ball = vw.Recipe(passes).apply(vw.Part(vw.shapes.sphere(9.0, 2_000), name="globe"), setup)
    gear = vw.Part(vw.shapes.gear(1.0, 20, 5.0, 6.0), name="clock-gear")
    gear = gear.marked([True] * len(gear.body.mesh.triangles))
    geared = vw.Recipe(stand).apply(gear, setup)
    shut = vw.Part(vw.shapes.hollow_sphere(5.0, 3.0, 1_000), name="shut float")
    packed = vw.Pack().apply([ball.value, geared.value, shut], setup)
    checked = [vw.Check().apply(shut, setup).report]
    lost = vw.Outcome("torn.stl", "failed", code="format", message="it ends early", remedy="again")
    good = [vw.Outcome(f"{p.name}.stl", "done", name=p.name) for p in (ball.value, shut)]
    report = plates.save(
        packed,
        setup,
        folder,
        before=[ball.report, geared.report, *checked],
        outcomes=[lost, *good],
    )
    text = (folder / "report.json").read_text(encoding="utf-8")
    assert reports.from_json(text) == report
    values: dict[str, Any] = json.loads(text)
    return values


def objects(schema: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Every schema within a schema that tells of a record."""
    for value in schema.values():
        if isinstance(value, dict):
            if "properties" in value and "type" in value:
                yield value
            yield from objects(value)


def keys(value: Any) -> Iterator[str]:
    """Every key within a value."""
    if isinstance(value, dict):
        yield from value
        value = list(value.values())
    for inner in value if isinstance(value, list) else []:
        yield from keys(inner)


def test_the_schema_is_one() -> None:
    Draft202012Validator.check_schema(SCHEMA)
    for record in objects(SCHEMA):
        # A pass of one's own may put data of its own beside the cost.
        closed = record.get("additionalProperties") is False
        assert closed or "cost" in record["properties"], record
        assert all("description" in said for said in record["properties"].values()), record
        assert set(record.get("required", ())) <= set(record["properties"])


def test_what_a_run_writes_is_as_the_schema_says(told: dict[str, Any]) -> None:
    assert [e.message for e in TOLD.iter_errors(told)] == []
    # And the schema tells of nothing that is never written.
    described = {key for record in objects(SCHEMA) for key in record["properties"]}
    assert described - set(keys(told)) == set()
    reports_ = list(reports.every(reports.from_json(json.dumps(told))))
    assert {key for r in reports_ for key in r.data} == {"cost", "profile"}


def test_a_report_of_0_1_is_read_and_another_format_is_not() -> None:
    old = Path(__file__).parents[1] / "corpus" / "formats" / "0.1" / "report.json"
    report = reports.load(old)
    assert [inner.pass_ for inner in report.inner] == ["recipe", "check"]
    values = json.loads(reports.to_json(report))
    described = SCHEMA["$defs"]["report"]["properties"]["format"]
    assert values.pop("format") == FORMAT == described["const"]
    assert values == json.loads(old.read_text(encoding="utf-8"))
    with pytest.raises(vw.FormatError, match=r"format 9 .* a later vatwright"):
        reports.from_json(json.dumps({"format": 9, **values}))


def test_the_schema_and_the_records_have_the_same_fields() -> None:
    """The declarations themselves: what the core reads and writes."""
    kinds = SCHEMA["$defs"]
    records = {"report": vw.Report, "finding": vw.Finding, "cost": vw.Cost}
    for name, record in records.items():
        fields = {field.rstrip("_") for field in inspect.signature(record).parameters}
        fields |= {"format"} if record is vw.Report else set()  # What the file says of itself.
        assert fields == set(kinds[name]["properties"]), name
    assert set(types.Source.__annotations__) == set(kinds["source"]["properties"])
    finding = kinds["finding"]
    assert set(get_args(types.Severity)) == set(finding["properties"]["severity"]["enum"])
    fates = {"printed", "failed", "left out"}
    assert fates == set(kinds["source"]["properties"]["fate"]["enum"])
    roles = kinds["cost"]["properties"]["resin_ml"]["propertyNames"]["enum"]
    assert set(get_args(types.Role)) == set(roles)
    bare = vw.Finding(code="cup", severity="note", part="a", message="m")
    assert set(json.loads(reports.to_json(vw.Report(findings=[bare])))["findings"][0]) == set(
        finding["required"]
    )


def spoil(key: str, value: Any, kind: str = "") -> Callable[[dict[str, Any]], None]:
    """Sets a key of a report, of its first finding, its first source or its first cost."""

    def found(told: dict[str, Any]) -> Iterator[dict[str, Any]]:
        yield told
        for inner in told["inner"]:
            yield from found(inner)

    def do(told: dict[str, Any]) -> None:
        places: dict[str, Callable[[], dict[str, Any]]] = {
            "": lambda: told,
            "finding": lambda: next(r["findings"][0] for r in found(told) if r["findings"]),
            "source": lambda: told["sources"][0],
            "cost": lambda: next(
                r["data"]["cost"] for r in found(told) if "cost" in r.get("data", ())
            ),
        }
        places[kind]()[key] = value

    return do


DAMAGE = {
    "a format of a later version": spoil("format", 2),
    "a format that is a word": spoil("format", "1"),
    "a key that is none": spoil("passes", "check"),
    "a number that is a word": spoil("numbers", {"time_s": "long"}),
    "no list of findings": spoil("findings", {}),
    "a severity that is none": spoil("severity", "grave", "finding"),
    "layers below the plate": spoil("layers", [-1, 4], "finding"),
    "half a place": spoil("place", [1.0, 2.0], "finding"),
    "a finding with a key more": spoil("machine", "desk", "finding"),
    "a fate that is none": spoil("fate", "lost", "source"),
}


@pytest.mark.parametrize("name", DAMAGE)
def test_what_is_damaged_is_refused_by_schema_and_reader_alike(
    told: dict[str, Any], name: str
) -> None:
    damaged = copy.deepcopy(told)
    DAMAGE[name](damaged)
    assert not TOLD.is_valid(damaged)
    with pytest.raises(vw.FormatError, match="this is no report"):
        reports.from_json(json.dumps(damaged))


@pytest.mark.parametrize(
    ("key", "value"), [("time_s", -1.0), ("layers", 1.5), ("sheets", [{}]), ("more", 1)]
)
def test_a_damaged_cost_is_refused(told: dict[str, Any], key: str, value: Any) -> None:
    damaged = copy.deepcopy(told)
    spoil(key, value, "cost")(damaged)
    assert not TOLD.is_valid(damaged)
