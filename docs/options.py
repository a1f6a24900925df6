"""Tables of all options for the page of them, from what the package declares."""

import ast
import dataclasses
import inspect
import itertools
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import vatwright as vw
from vatwright.sizes import Reading

SECTIONS: dict[str, type[Any]] = {
    kind.__name__.lower(): kind
    for kind in (
        vw.Machine,
        vw.Resin,
        vw.Exposure,
        vw.Limits,
        vw.Orient,
        vw.Hollow,
        vw.Vent,
        vw.Raft,
        vw.Compensate,
        vw.Support,
        vw.Pack,
        vw.Estimate,
        vw.Repair,
    )
} | {"read": Reading}
"""Section of ``--set section.option=value``, and its record."""

# As the declaration writes it: meaning, range, what a larger value does.
_ENTRY = re.compile(
    r"(?P<meaning>.*?)(?: From (?P<least>\S+) to (?P<most>\d+(?:\.\d+)?)(?: (?P<unit>[^.]+))?\.)?"
    r"(?: Larger: (?P<larger>.+)\.)?$"
)


def values(kind: type[Any]) -> dict[str, Any]:
    """Name and default of every option of a record."""
    record = kind()
    return dataclasses.asdict(record) if dataclasses.is_dataclass(record) else record.to_dict()


def _entries(kind: type[Any]) -> dict[str, dict[str, str]]:
    if dataclasses.is_dataclass(kind):
        # Its docs stand below its fields.
        (body,) = (c.body for c in ast.parse(inspect.getsource(kind)).body)
        pairs = [
            (field.target.id, doc.value.value)
            for field, doc in itertools.pairwise(body)
            if isinstance(field, ast.AnnAssign)
        ]
    else:
        pairs = re.findall(r"^    (\w+): (.+)$", inspect.getdoc(kind) or "", re.M) or _in_rust(kind)
    return {name: _parsed(text) for name, text in pairs}


def _in_rust(kind: type[Any]) -> list[tuple[str, str]]:
    """Docs of a pass whose fields Python's help does not tell yet."""
    passes = Path(__file__).parents[1] / "rust" / "core" / "src" / "passes"
    name = kind.__name__
    found = [*passes.glob(f"{name.lower()}/mod.rs"), *passes.glob(f"{name.lower()}.rs")]
    body = re.search(rf"pub struct {name} {{(.+?)^}}", found[0].read_text(), re.S | re.M)
    fields = re.findall(r"((?:^ *///.*\n)+) *pub (\w+):", body[1] if body else "", re.M)
    return [
        (
            field,
            re.sub(r"\[(`[^`]+`)\](\([^)]+\))?", r"\1", " ".join(doc.replace("///", "").split())),
        )
        for doc, field in fields
    ]


def _parsed(text: str) -> dict[str, str]:
    found = _ENTRY.match(text)
    assert found is not None  # Every group of it may be empty.
    said = {key: value or "" for key, value in found.groupdict().items()}
    span = f"{said['least']} to {said['most']} {said['unit']}".strip() if said["least"] else ""
    return {"meaning": said["meaning"], "range": span, "larger": said["larger"]}


def _default(value: Any) -> str:
    if value is None:
        return "none"
    return f"`{value}`" if not isinstance(value, dict) else "a record"


def tables() -> Iterator[str]:
    """Lines of Markdown."""
    for section, kind in SECTIONS.items():
        entries = _entries(kind)
        yield from (f"## {section}", "")
        yield "| option | default | range | meaning | a larger value |"
        yield "|---|---|---|---|---|"
        for name, value in values(kind).items():
            said = entries.get(name, {"meaning": "", "range": "", "larger": ""})
            cells = (said["range"], said["meaning"], said["larger"])
            text = " | ".join(cell.replace("|", r"\|") for cell in cells)
            yield f"| `{section}.{name}` | {_default(value)} | {text} |"
        yield ""
