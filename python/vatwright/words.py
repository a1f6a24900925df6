"""How numbers, names and severities read to a person; one way for pages, tables and notebooks."""

from __future__ import annotations

import re
from html import escape

__all__ = ["SEVERITY", "amount", "clean", "duration", "html", "label"]

SEVERITY = {"fault": "will fail", "warning": "may fail", "note": "good to know"}
"""What a severity means for the print."""

# Control characters, and those that turn the direction of what follows (Unicode UAX #9): a name
# must not move the text around it.
_UNSAFE = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069\ufffe\uffff]"
)

_UNITS = {
    "mm": "mm",
    "mm2": "mm²",
    "mm3": "mm³",
    "mm5": "mm⁵",
    "ml": "ml",
    "s": "s",
    "h": "h",
    "n": "N",
    "kpa": "kPa",
    "mpa": "MPa",
    "deg": "°",
    "g": "g",
    "kwh": "kWh",
    "w": "W",
    "percent": "%",
}


def clean(text: str) -> str:
    """Text from outside without characters that could harm a page or a terminal."""
    text = text.encode("utf-8", "replace").decode()
    return _UNSAFE.sub("\ufffd", text)


def html(text: str) -> str:
    """Text from outside as HTML."""
    return escape(clean(text))


def label(key: str) -> str:
    """The name of a number as words, its unit after a comma: ``peak_peel_n`` → "peak peel, N"."""
    words, _, last = key.rpartition("_")
    if words and last in _UNITS:
        return f"{words.replace('_', ' ')}, {_UNITS[last]}"
    return key.replace("_", " ")


def duration(seconds: float) -> str:
    """A time as hours and minutes, or as minutes and seconds when it is short."""
    if seconds < 600:
        minutes, rest = divmod(round(seconds), 60)
        return (
            f"{minutes} min {rest} s"
            if minutes and rest
            else f"{minutes or rest} {'min' if minutes else 's'}"
        )
    hours, minutes = divmod(round(seconds / 60), 60)
    return " ".join(
        filter(None, (f"{hours} h" if hours else "", f"{minutes} min" if minutes else ""))
    )


def amount(value: float) -> str:
    """A number with as many digits as say something."""
    return f"{value:.0f}" if abs(value) >= 100 or value == 0 else f"{value:.3g}"
