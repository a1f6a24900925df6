"""From a filled form, and a log of forces, to constants."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

from vatwright._core import Setup
from vatwright.calibrate import laws
from vatwright.calibrate.edges import KINDS, SHARE, Feature, Kind, edge
from vatwright.calibrate.form import SECTIONS, Filled, Row
from vatwright.calibrate.log import Log
from vatwright.calibrate.peel import peel
from vatwright.calibrate.result import Constant, Fit
from vatwright.errors import ConfigError

__all__ = ["evaluate"]

PENETRATION, CRITICAL = "resin.penetration_mm", "resin.critical_mj_cm2"


def evaluate(form: Filled, setup: Setup, *, log: Log | None = None) -> Fit:
    """The constants that a form and a log determine; ``setup`` says the rest.

    Args:
        form: as :func:`form.read` gives it.
        setup: the machine as it was set while printing.
        log: peaks of the tower's layers; they go before the rows of the form.

    Raises:
        ConfigError: a row lacks a size that others of it need.
        OptionError: a number makes no sense.
    """
    filled = {name: rows for name, rows in form.items() if any(map(_is_read, rows))}
    found = Fit()
    if "lamp" in filled:
        found += laws.direct(
            "exposure.irradiance_mw_cm2", _all(filled["lamp"], "irradiance_mw_cm2")
        )
    light = _value(found, "exposure.irradiance_mw_cm2", setup.exposure.irradiance_mw_cm2)
    if log is not None:
        found += peel(
            log.force_n,
            area_mm2=log.area_mm2,
            speed_mm_s=log.speed_mm_s,
            shape=log.shape,
            order=log.order,
            names=log.names,
        )
    elif "peel" in filled:
        found += _discs(filled["peel"])
    found += _cured(filled, setup, light)
    if "edge" in filled:
        found += _edge(filled["edge"], light, found, setup)
    for name, of in _SIMPLE.items():
        if name in filled:
            found += of(filled[name])
    measured = {*filled, *({"peel"} if log is not None else ())}
    left = [section.title.lower() for section in SECTIONS if section.name not in measured]
    return found + Fit(notes=(f"not measured: {', '.join(left)}",) if left else ())


def _is_read(row: Row) -> bool:
    return any(isinstance(value, list) and value for value in row.values())


def _all(rows: Sequence[Row], name: str) -> list[float]:
    return [value for row in rows for value in row[name]]


def _value(found: Fit, name: str, otherwise: float) -> float:
    return next((c.value for c in found.constants if c.name == name), otherwise)


def _discs(rows: Sequence[Row]) -> Fit:
    lifts = [
        (f"peel {i}, pull_kg {j}", kg, row)
        for i, row in enumerate(rows, 1)
        for j, kg in enumerate(row["pull_kg"], 1)
    ]
    return peel(
        [kg * laws.GRAVITY for _, kg, _ in lifts],
        area_mm2=[math.pi / 4 * row["diameter_mm"] ** 2 for _, _, row in lifts],
        speed_mm_s=[row["lift_speed_mm_s"] for _, _, row in lifts],
        names=[name for name, _, _ in lifts],
    )


def _cured(filled: Filled, setup: Setup, light: float) -> Fit:
    """The working curve from coins; from the depth comb where there are none."""
    found = combed = Fit()
    if "depth_comb" in filled:
        rows = filled["depth_comb"]
        combed = laws.depth_comb(
            [row["layers"] for row in rows],
            [row["thickness_mm"] for row in rows],
            layer_mm=setup.exposure.layer_mm,
            dose_mj_cm2=light * setup.exposure.exposure_s,
            start=(setup.resin.penetration_mm, setup.resin.critical_mj_cm2),
        )
    if "coins" not in filled:
        return combed
    rows = filled["coins"]
    seconds, thickness = [r["exposure_s"] for r in rows], [r["thickness_mm"] for r in rows]
    found = laws.working_curve(seconds, thickness, irradiance_mw_cm2=light)
    if found.missing or not combed.constants:
        return found if found.constants else combed + Fit(doubts=found.doubts)
    return found + Fit(doubts=combed.doubts, notes=(_compared(found, combed),))


def _compared(coins: Fit, comb: Fit) -> str:
    a, b = coins[PENETRATION], comb[PENETRATION]
    told = f"the depth comb says a penetration of {b.low:.3f} to {b.high:.3f} mm"
    if a.low <= b.high and b.low <= a.high:
        return f"{told}, as the coins do"
    return f"{told}, the coins {a.low:.3f} to {a.high:.3f} mm: doses do not add up as assumed"


def _edge(rows: Sequence[Row], light: float, found: Fit, setup: Setup) -> Fit:
    """The spread of light, its intervals with what is not known of the critical dose.

    A wall of many layers gets, in a layer's middle, e^(−h/2Dp)/(1 − e^(−h/Dp)) times the dose of
    one (geometric sum), as the core adds it up.
    """
    per_depth = setup.exposure.layer_mm / _value(found, PENETRATION, setup.resin.penetration_mm)
    stacked = light * math.exp(-0.5 * per_depth) / -math.expm1(-per_depth)

    def at(critical: float) -> Fit:
        return edge(
            [
                Feature(
                    _kind(row["kind"]),
                    row["drawn_mm"],
                    tuple(row["measured_mm"]),
                    stacked * row["exposure_s"] / critical,
                    name=f"edge {i}",
                )
                for i, row in enumerate(rows, 1)
                if row["measured_mm"]
            ],
            tail_mm=setup.exposure.edge_tail_mm,
            tail_share=setup.exposure.edge_tail_share,
            tails=True,
        )

    known = [c for c in found.constants if c.name == CRITICAL]
    if not known:
        note = f"edges go by a critical dose of {setup.resin.critical_mj_cm2:g} mJ/cm², the setup's"
        return at(setup.resin.critical_mj_cm2) + Fit(notes=(note,))
    fit = at(known[0].value)
    others = [c for end in (known[0].low, known[0].high) for c in at(end).constants]
    return replace(fit, constants=tuple(_widened(c, others) for c in fit.constants))


def _widened(constant: Constant, others: Sequence[Constant]) -> Constant:
    """With what it would be at the ends of another constant; independent parts add in squares."""
    values = [constant.value, *(c.value for c in others if c.name == constant.name)]
    down, up = constant.value - min(values), max(values) - constant.value
    low = max(constant.value - math.hypot(constant.value - constant.low, down), 0.0)
    high = constant.value + math.hypot(constant.high - constant.value, up)
    if constant.name == SHARE:
        high = min(high, 1.0)
    return replace(constant, low=low, high=high)


def _kind(word: str) -> Kind:
    for kind in KINDS:
        if word == kind:
            return kind
    raise ConfigError(f"edge: '{word}' is no feature; there are {', '.join(KINDS)}")


def _size(row: Row, name: str, where: str) -> float:
    if not row[name]:
        raise ConfigError(f"{where}: {name} is empty; measure it, or empty the row")
    return sum(row[name]) / len(row[name])


def _bond(rows: Sequence[Row]) -> Fit:
    torn = [(f"bond {i}", row) for i, row in enumerate(rows, 1) if row["pull_kg"]]
    return laws.bond(
        [_size(row, "diameter_mm", name) for name, row in torn],
        [_size(row, "pull_kg", name) for name, row in torn],
        names=[name for name, _ in torn],
    )


def _dumb_bells(rows: Sequence[Row]) -> Fit:
    torn = [(f"dumb_bells {i}", row) for i, row in enumerate(rows, 1) if row["pull_kg"]]
    return laws.green_strength(
        [_size(row, "width_mm", name) for name, row in torn],
        [_size(row, "thickness_mm", name) for name, row in torn],
        [_size(row, "pull_kg", name) for name, row in torn],
        names=[name for name, _ in torn],
    )


def _strips(rows: Sequence[Row]) -> Fit:
    """Rows of one strip follow each other, the first with the sizes."""
    strips = []
    heads = [i for i, row in enumerate(rows) if row["width_mm"] or row["thickness_mm"]]
    for start, end in zip(heads, [*heads[1:], len(rows)], strict=True):
        name, head = f"strips {start + 1}", rows[start]
        bent = [row for row in rows[start:end] if row["deflection_mm"]]
        strips.append(
            laws.Strip(
                head["free_mm"],
                _size(head, "width_mm", name),
                _size(head, "thickness_mm", name),
                tuple(row["load_g"] for row in bent),
                tuple(_size(row, "deflection_mm", name) for row in bent),
                name=name,
            )
        )
    return laws.green_modulus(strips)


def _gauge(name: laws.Gauge) -> Callable[[Sequence[Row]], Fit]:
    def of(rows: Sequence[Row]) -> Fit:
        moved = [row for row in rows if row["moved_mm"]]
        return laws.stiffness(
            name,
            [row["load_kg"] for row in moved],
            [_size(row, "moved_mm", name) for row in moved],
        )

    return of


def _density(rows: Sequence[Row]) -> Fit:
    found = Fit()
    for name in ("liquid_g_cm3", "cured_g_cm3"):
        if readings := _all(rows, name):
            found += laws.direct(f"resin.{name}", readings)
    return found


_SIMPLE: dict[str, Callable[[Sequence[Row]], Fit]] = {
    "bond": _bond,
    "dumb_bells": _dumb_bells,
    "strips": _strips,
    "film": _gauge("machine.film_compliance_mm_n"),
    "frame": _gauge("machine.frame_stiffness_n_mm"),
    "density": _density,
}
