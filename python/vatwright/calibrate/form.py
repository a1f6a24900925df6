"""The form of an evening: what is measured with what, and what was read, as TOML.

The sections stand here once; the form, the printed sheet and the fit all go by them.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, TypeAlias

from vatwright._core import Setup
from vatwright.calibrate import kit
from vatwright.errors import ConfigError

__all__ = ["SECTIONS", "Column", "Filled", "Row", "Section", "read", "write"]

Row: TypeAlias = Mapping[str, Any]
"""A row of a section: numbers and words that are given, and lists of readings."""
Filled: TypeAlias = Mapping[str, list[Row]]
"""Rows by section."""

# Rows of a section and readings of a cell that anyone could have filled in by hand.
_MOST_ROWS, _MOST_READINGS = 1000, 100


@dataclass(frozen=True)
class Column:
    """A column of a section."""

    name: str
    what: str
    given: type | None = None
    """Type of what the form brings; None for readings."""


@dataclass(frozen=True)
class Section:
    """One thing to measure."""

    name: str
    title: str
    constants: tuple[str, ...]
    """What it tells."""
    pieces: tuple[str, ...]
    """Prints of the kit that it needs."""
    tool: str
    steps: tuple[str, ...]
    columns: tuple[Column, ...]
    rows: Callable[[Setup], list[dict[str, Any]]]
    """What the form brings, a dict a row."""

    def row(self, i: int) -> str:
        """What row ``i`` is called."""
        return f"{self.name} {i + 1}"


def _peel(setup: Setup) -> list[dict[str, Any]]:
    v = setup.machine.lift_speed_mm_s
    return [{"diameter_mm": kit.PEEL_MM, "lift_speed_mm_s": f * v} for f in (1.0, 0.5, 2.0)]


def _coins(setup: Setup) -> list[dict[str, Any]]:
    return [{"exposure_s": round(f * setup.exposure.exposure_s, 3)} for f in kit.COIN_TIMES]


def _edge(setup: Setup) -> list[dict[str, Any]]:
    rows = []
    for factor in kit.EDGE_TIMES:
        for kind, sizes in kit.FEATURES.items():
            for size in sizes:
                exposure = round(factor * setup.exposure.exposure_s, 3)
                drawn = round(kit.drawn(size, setup), 4)
                rows.append({"exposure_s": exposure, "kind": kind, "drawn_mm": drawn})
    return rows


def _times(n: int, **given: Any) -> Callable[[Setup], list[dict[str, Any]]]:
    return lambda _: [dict(given) for _ in range(n)]


def _each(name: str, values: tuple[float, ...]) -> Callable[[Setup], list[dict[str, Any]]]:
    return lambda _: [{name: value} for value in values]


SECTIONS = (
    Section(
        "peel",
        "Peel from the film",
        (
            "machine.separation_kpa",
            "machine.separation_area_exponent",
            "machine.separation_speed_exponent",
        ),
        ("tower", "peel-disc"),
        "load cell with a log; or a luggage scale with a peak hold",
        (
            "With a log: print the tower alone, with the lift speeds of the table below by layer; "
            "keep the log as CSV and leave this table empty.",
            "Without: print the peel disc alone. During its last layers read the peak of each "
            "lift, three at each speed. This tells no exponent of area.",
        ),
        (
            Column("diameter_mm", "disc", float),
            Column("lift_speed_mm_s", "lift speed", float),
            Column("pull_kg", "peaks of three lifts"),
        ),
        _peel,
    ),
    Section(
        "lamp",
        "Light of the lamp",
        ("exposure.irradiance_mw_cm2",),
        (),
        "meter calibrated for the lamp's wavelength",
        (
            "Vat out, goggles for the wavelength on: nine places of the bare panel, all pixels on.",
            "No meter? Leave it empty: doses then count in the setup's own number, and so do all "
            "that is computed from them.",
        ),
        (Column("irradiance_mw_cm2", "nine places"),),
        _times(1),
    ),
    Section(
        "coins",
        "Working curve",
        ("resin.penetration_mm", "resin.critical_mj_cm2"),
        ("coin",),
        "micrometer with a ratchet, or caliper",
        (
            "Plate out, clean film, resin 5 mm deep. Expose the coin's one layer once for each "
            "time; lift it off with a plastic card, wipe, do not cure.",
            "Two readings a coin, at different places. What did not harden stays empty.",
        ),
        (Column("exposure_s", "exposure", float), Column("thickness_mm", "two places")),
        _coins,
    ),
    Section(
        "bond",
        "Hold on the plate",
        ("resin.plate_bond_kpa",),
        ("bond-disc",),
        "luggage scale with a peak hold, a loop of cord, caliper",
        (
            "Plate out of the machine and clamped. Loop under the button, pull straight off, "
            "slowly; then the disc's diameter where it stood on the plate.",
            "Worn, oily or roughened, a plate counts as another plate.",
        ),
        (Column("diameter_mm", "foot, as printed"), Column("pull_kg", "peak")),
        _times(5),
    ),
    Section(
        "dumb_bells",
        "Green strength",
        ("resin.green_strength_mpa",),
        ("dumb-bell",),
        "luggage scale with a peak hold, caliper; a bag filled with water does too",
        (
            "Washed and dry, not cured. Width and thickness of the neck, then pull by the eyes "
            "until it tears. Torn at an eye? Leave it empty.",
        ),
        (
            Column("width_mm", "neck"),
            Column("thickness_mm", "neck"),
            Column("pull_kg", "peak"),
        ),
        _times(5),
    ),
    Section(
        "edge",
        "Edges in the light",
        ("exposure.edge_blur_mm",),
        ("edge-comb",),
        "caliper; pin gauges or drills for holes, feelers for slots",
        (
            "Print the comb with the usual exposure and with four times it (of the ordinary "
            "layers, not the first ones); for the tails of the light also with twelve times. Wash, "
            "do not cure.",
            "Pins and ribs at half their height; holes and slots from above. What did not survive "
            "stays empty. Ribs and slots count, and round ones from 2 mm on; the staircase and the "
            "smaller ones show to the eye what is lost first.",
        ),
        (
            Column("exposure_s", "exposure", float),
            Column("kind", "feature", str),
            Column("drawn_mm", "in the model", float),
            Column("measured_mm", "as printed"),
        ),
        _edge,
    ),
    Section(
        "strips",
        "Green modulus",
        ("resin.green_modulus_mpa",),
        ("strip",),
        "micrometer, rule, weights of 5 to 15 g (coins of money, weighed)",
        (
            "Washed and dry, not cured. Clamp 15 mm between two rules, 40 mm free; note where the "
            "tip stands, then how far each weight, hung 2 mm from the tip, lowers it.",
            "Less than a tenth of the free length; read within ten seconds, since it creeps.",
        ),
        (
            Column("free_mm", "clamp to weight", float),
            Column("load_g", "weight", float),
            Column("width_mm", "strip"),
            Column("thickness_mm", "strip"),
            Column("deflection_mm", "lowered by"),
        ),
        lambda _: [
            {"free_mm": 40.0, "load_g": load} for _ in range(4) for load in (5.0, 10.0, 15.0)
        ],
    ),
    Section(
        "depth_comb",
        "Depth of cure through many layers",
        ("resin.penetration_mm", "resin.critical_mj_cm2"),
        ("depth-comb",),
        "caliper",
        (
            "Washed, not cured. Thickness of every tooth near its tip, the lowest first.",
            "Used where there are no coins; else it tells whether doses add up as assumed.",
        ),
        (Column("layers", "layers in the tooth", float), Column("thickness_mm", "two places")),
        _each("layers", tuple(map(float, kit.COMB_LAYERS))),
    ),
    Section(
        "film",
        "Give of the film",
        ("machine.film_compliance_mm_n",),
        (),
        "dial gauge, weights, a disc of 30 mm",
        ("Empty, clean vat on two blocks; disc on the film, gauge on the disc, weights on top.",),
        (Column("load_kg", "weight", float), Column("moved_mm", "gauge")),
        _each("load_kg", (0.2, 0.5, 1.0, 1.5, 2.0)),
    ),
    Section(
        "frame",
        "Stiffness of the frame",
        ("machine.frame_stiffness_n_mm",),
        (),
        "dial gauge, kitchen scale, screw jack",
        ("Jack on the scale lifts the plate; gauge between plate and base; no vat.",),
        (Column("load_kg", "scale", float), Column("moved_mm", "gauge")),
        _each("load_kg", (1.0, 2.0, 3.0, 4.0, 5.0)),
    ),
    Section(
        "density",
        "Densities",
        ("resin.liquid_g_cm3", "resin.cured_g_cm3"),
        ("strip",),
        "kitchen scale to 0.01 g, syringe, caliper",
        (
            "Mass over volume: 20 ml of resin in a syringe, three times; washed strips, by their "
            "sides. Together they tell the shrinkage.",
        ),
        (Column("liquid_g_cm3", "three times"), Column("cured_g_cm3", "three strips")),
        _times(1),
    ),
)
"""In the order of the sheet. What settles most comes first: pull, dose, bond and strength, whose
published values lie farthest apart, and which decide whether a print holds."""


def write(setup: Setup) -> str:
    """An empty form for a setup."""
    lines = [
        "# What was read on an evening of calibration. Readings go between the brackets, with a",
        "# point and commas: thickness_mm = [0.121, 0.118]. What was not measured stays empty.",
        f"# For the setup {setup.name!r}; sheet.html says how. Then: vatwright calibrate fit",
    ]
    for section in SECTIONS:
        lines += ["", f"# {section.title}: {', '.join(section.constants)}"]
        for i, row in enumerate(section.rows(setup)):
            lines += ["", f"[[{section.name}]]  # {i + 1}"]
            for column in section.columns:
                given = row.get(column.name)
                if given is None:
                    lines.append(f"{column.name} = []  # {column.what}")
                else:
                    lines.append(f"{column.name} = {_toml(given)}")
    return "\n".join(lines) + "\n"


def _toml(value: object) -> str:
    return f'"{value}"' if isinstance(value, str) else f"{value}"


def read(text: str, *, place: str = "form") -> Filled:
    """What stands in a form.

    Args:
        text: the form.
        place: where it comes from, for messages.

    Raises:
        ConfigError: it is no TOML, or holds what no form has; the message names the place.
    """
    if sys.version_info >= (3, 11):
        import tomllib
    else:
        import tomli as tomllib
    try:
        tables = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise ConfigError(
            f"{place}: {error}; put readings between the brackets, with commas between them"
        ) from error
    known = {section.name: section for section in SECTIONS}
    for name in tables:
        if name not in known:
            raise ConfigError(
                f"{place}: there is no section '{name}'; there are {', '.join(known)}"
            )
    return {
        name: [_row(section, i, row, place) for i, row in enumerate(_rows(tables, section, place))]
        for name, section in known.items()
    }


def _rows(tables: Mapping[str, Any], section: Section, place: str) -> list[Any]:
    rows = tables.get(section.name, [])
    if not isinstance(rows, list) or len(rows) > _MOST_ROWS:
        raise ConfigError(
            f"{place}: {section.name} is rows, each under [[{section.name}]], {_MOST_ROWS} at most"
        )
    return rows


def _row(section: Section, i: int, row: Any, place: str) -> Row:
    where = f"{place}: {section.row(i)}"
    columns = {column.name: column for column in section.columns}
    if not isinstance(row, dict) or (unknown := sorted(set(row) - set(columns))):
        said = f"has no {', '.join(unknown)}" if isinstance(row, dict) else "is no row"
        raise ConfigError(f"{where} {said}; there are {', '.join(columns)}")
    values: dict[str, Any] = {}
    for name, column in columns.items():
        value = row.get(name, [])
        if column.given is str:
            if not isinstance(value, str):
                raise ConfigError(f"{where}: {name} is a word between quotes, not {value!r:.40}")
            values[name] = value
        elif column.given is float:
            values[name] = _number(value, f"{where}: {name}")
        else:
            readings = value if isinstance(value, list) else [value]
            if len(readings) > _MOST_READINGS:
                raise ConfigError(f"{where}: {name} has more than {_MOST_READINGS} readings")
            values[name] = [_number(v, f"{where}: {name}") for v in readings]
    return values


def _number(value: Any, where: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ConfigError(f"{where} is a number, not {value!r:.40}")
    if not (math.isfinite(value) and value > 0.0):
        raise ConfigError(f"{where} is {value}; leave it empty where nothing was read")
    return float(value)
