"""The stable codes of findings and errors: what each means, why it comes about, what to do.

``FINDINGS["cup"].remedy`` says what to do about a cup; ``explain("cup")`` says it all in prose.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from vatwright import _core

__all__ = ["ERRORS", "FINDINGS", "Code", "explain"]


@dataclass(frozen=True)
class Code:
    """What there is to know of a code, whatever the part."""

    code: str
    """The stable word."""
    severity: str
    """How grave it is, and when."""
    meaning: str
    cause: str
    remedy: str


def _table(rows: tuple[dict[str, str], ...]) -> Mapping[str, Code]:
    return MappingProxyType({row["code"]: Code(**row) for row in rows})


FINDINGS = _table(_core.FINDINGS)
"""Findings: a result exists, and physics objects."""
ERRORS = _table(_core.ERRORS)
"""Errors: no result exists; exceptions carry the code as ``error.code``."""


def explain(code: str) -> str:
    """Meaning, severity, cause and remedy of a code as text.

    Raises ``KeyError`` naming the nearest codes when there is no such code.
    """
    known = {**ERRORS, **FINDINGS}
    if code not in known:
        from difflib import get_close_matches

        near = get_close_matches(code, known, n=3, cutoff=0.4) or sorted(known)
        raise KeyError(f"there is no code '{code}'; near it: {', '.join(near)}")
    said = known[code]
    kind = "error" if code in ERRORS else "finding"
    return (
        f"{code} ({kind})\n"
        f"  {said.meaning}\n"
        f"  Severity: {said.severity}.\n"
        f"  Cause: {said.cause}\n"
        f"  What to do: {said.remedy}"
    )
