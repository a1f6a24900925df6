"""What the command's ``--set section.option=value`` changes: every option that a message names."""

from __future__ import annotations

import dataclasses
import inspect
import json
from collections.abc import Collection, Iterable
from dataclasses import dataclass, field
from difflib import get_close_matches
from typing import Any

from vatwright._core import Estimate, Pack, Recipe, Setup, repair
from vatwright.errors import ConfigError
from vatwright.sizes import Reading

__all__ = ["Options"]

_SETUP = ("machine", "resin", "exposure", "limits")
_REPAIR = [*inspect.signature(repair).parameters][1:]
_READ = [f.name for f in dataclasses.fields(Reading)]


@dataclass
class Options:
    """Everything that shapes a run of the command."""

    recipe: Recipe
    setup: Setup
    pack: Pack = field(default_factory=Pack)
    estimate: Estimate = field(default_factory=Estimate)
    reading: dict[str, Any] = field(default_factory=dict)
    mending: dict[str, Any] = field(default_factory=dict)

    def set(self, assignments: Iterable[str]) -> None:
        """Changes options by words such as ``hollow.wall_mm=1.8`` or ``pack.copies.guard=12``.

        A section is a step of the recipe (every one of that name), ``pack``, ``estimate``,
        ``read``, ``repair``, or a table of the setup. Values are JSON; a bare word is text.

        Raises:
            ConfigError: there is no such section or option; the message names near ones.
        """
        for text in assignments:
            name, is_there, value = text.partition("=")
            section, dot, path = name.strip().partition(".")
            if not (is_there and dot and path):
                raise ConfigError(f"--set {text}: write it as section.option=value")
            try:
                self._set(section, path.split("."), _value(value.strip()))
            except (TypeError, ValueError) as error:
                raise ConfigError(f"--set {text}: {error}") from error

    def _set(self, section: str, path: list[str], value: Any) -> None:
        # From the innermost option outwards: {"weights": {"cups": 2}}.
        for key in reversed(path[1:]):
            value = {key: value}
        values = {path[0]: value}
        if section in ("pack", "estimate"):
            record = getattr(self, section)
            _known(section, path[0], record.to_dict())
            setattr(self, section, record.replace(**_fitting(record, values)))
        elif section == "read":
            _known(section, path[0], _READ)
            self.reading |= values
        elif section == "repair":
            _known(section, path[0], _REPAIR)
            self.mending |= values
        elif section in _SETUP:
            table = getattr(self.setup, section)
            _known(section, path[0], table.to_dict())
            self.setup = _with(self.setup, section, table.replace(**_fitting(table, values)))
        else:
            self._set_in_recipe(section, path[0], values)

    def _set_in_recipe(self, section: str, option: str, values: dict[str, Any]) -> None:
        steps: list[Any] = list(self.recipe.passes)
        names = [step.name for step in steps]
        if section not in names:
            known = [*dict.fromkeys(names), "pack", "estimate", "read", "repair", *_SETUP]
            raise ValueError(f"there is no step or section '{section}'; {_near(section, known)}")
        for i, step in enumerate(steps):
            if step.name == section:
                _known(section, option, step.to_dict())
                steps[i] = step.replace(**_fitting(step, values))
        self.recipe = Recipe(steps)


def _with(setup: Setup, section: str, record: Any) -> Setup:
    """A setup with another record; an interval that no longer holds its value goes with it."""
    intervals = {
        group: {
            field: (low, high)
            for field, (low, high) in of.items()
            if group != section or low <= getattr(record, field) <= high
        }
        for group, of in setup.intervals.items()
    }
    # `replace` adds intervals, and takes none away.
    records = {name: getattr(setup, name) for name in _SETUP} | {section: record}
    return Setup(name=setup.name, intervals=intervals, **records)


def _fitting(record: Any, values: dict[str, Any]) -> dict[str, Any]:
    """Values for a record: where it holds a word, "none" is one."""
    held = record.to_dict()
    return {
        name: "none" if value is None and isinstance(held[name], str) else value
        for name, value in values.items()
    }


def _value(text: str) -> Any:
    if text == "none":
        return None
    try:
        return json.loads(text)
    except (ValueError, RecursionError):
        return text


def _known(section: str, option: str, options: Collection[str]) -> None:
    if option not in options:
        raise ValueError(f"{section} has no option '{option}'; {_near(option, options)}")


def _near(word: str, known: Collection[str]) -> str:
    near = get_close_matches(word, known, n=3, cutoff=0.5)
    if near:
        return f"is {' or '.join(near)} meant?"
    return f"there are {', '.join(known)}" if known else "there are none"
