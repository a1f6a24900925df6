"""What a fit says: constants with intervals, readings in doubt, and what stays unknown."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import groupby
from typing import Any

from vatwright._core import Setup
from vatwright.errors import OptionError

__all__ = ["Constant", "Doubt", "Fit", "Missing"]


@dataclass(frozen=True)
class Constant:
    """A constant of a setup as measured."""

    name: str
    """Section and field of a setup: ``resin.penetration_mm``."""
    value: float
    low: float
    """Lower end of the 95 % interval; equal to ``value`` where the user's choice fixes it."""
    high: float
    note: str
    """From what it was found."""


@dataclass(frozen=True)
class Doubt:
    """A row that does not go with the others, and was left out."""

    row: str
    message: str
    remedy: str


@dataclass(frozen=True)
class Missing:
    """A constant that the readings cannot determine, and the print that would."""

    name: str
    why: str
    remedy: str


@dataclass(frozen=True)
class Fit:
    """What readings say of a setup; fits add up."""

    constants: tuple[Constant, ...] = ()
    doubts: tuple[Doubt, ...] = ()
    missing: tuple[Missing, ...] = ()
    notes: tuple[str, ...] = field(default=())
    """What is worth knowing beside."""

    def __add__(self, other: Fit) -> Fit:
        """Both together."""
        twice = {c.name for c in self.constants} & {c.name for c in other.constants}
        if twice:
            raise OptionError(f"{', '.join(sorted(twice))}: fitted twice; give one of the two")
        return Fit(
            self.constants + other.constants,
            self.doubts + other.doubts,
            self.missing + other.missing,
            self.notes + other.notes,
        )

    def __getitem__(self, name: str) -> Constant:
        """The constant of that name.

        Raises:
            KeyError: it was not fitted; :attr:`missing` may say why.
        """
        for constant in self.constants:
            if constant.name == name:
                return constant
        raise KeyError(name)

    @property
    def values(self) -> dict[str, dict[str, float]]:
        """Values by section and field."""
        return {s: {f: c.value for f, c in of.items()} for s, of in self._sections().items()}

    @property
    def intervals(self) -> dict[str, dict[str, tuple[float, float]]]:
        """Intervals by section and field, of what was measured."""
        wide = {
            section: {f: (c.low, c.high) for f, c in of.items() if c.low < c.high}
            for section, of in self._sections().items()
        }
        return {section: of for section, of in wide.items() if of}

    def setup(self, base: Setup) -> Setup:
        """A setup with these values, and their intervals, in place of its own.

        Raises:
            ConfigError: a value is out of the range that a setup accepts.
        """
        records = {s: getattr(base, s) for s in ("machine", "resin", "exposure", "limits")}
        values, new, old = self.values, self.intervals, base.intervals
        # What a value was known by goes with the value; `replace` would keep it.
        intervals = {
            section: {
                field: interval
                for field, interval in old.get(section, {}).items()
                if field not in values.get(section, {})
            }
            | new.get(section, {})
            for section in {**old, **new}
        }
        changed: dict[str, Any] = {
            section: record.replace(**values.get(section, {}))
            for section, record in records.items()
        }
        return Setup(name=base.name, intervals=intervals, **changed)

    def to_toml(self) -> str:
        """The constants as sections of a setup file, each with its origin."""
        lines = []
        for section, of in self._sections().items():
            lines += ["", f"[{section}]"]
            for name, constant in of.items():
                lines += [f"# {constant.note}", f"{name} = {constant.value:.6g}"]
        for section, intervals in self.intervals.items():
            lines += ["", f"[intervals.{section}]"]
            lines += [f"{f} = [{low:.6g}, {high:.6g}]" for f, (low, high) in intervals.items()]
        return "\n".join(lines[1:]) + "\n" if lines else ""

    def _sections(self) -> dict[str, dict[str, Constant]]:
        def section(constant: Constant) -> str:
            return constant.name.partition(".")[0]

        by_section = groupby(sorted(self.constants, key=section), section)
        return {s: {c.name.partition(".")[2]: c for c in of} for s, of in by_section}
