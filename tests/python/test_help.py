"""What is declared of an option is found wherever a user looks: help, signature, stub, TOML."""

import ast
import inspect
import itertools
from pathlib import Path
from typing import Any

import pytest

import vatwright as vw

OPTIONS: tuple[type[Any], ...] = (
    vw.Machine,
    vw.Resin,
    vw.Exposure,
    vw.Limits,
    vw.Setup,
    vw.Vent,
    vw.Raft,
    vw.Compensate,
    vw.Support,
    vw.Check,
    vw.Pack,
    vw.Estimate,
    vw.Print,
)


def stub() -> dict[str, dict[str, ast.expr | None]]:
    text = (Path(vw.__file__).parent / "_core.pyi").read_text()
    classes = (n for n in ast.parse(text).body if isinstance(n, ast.ClassDef))
    return {
        c.name: {
            f.target.id: f.value
            for f in c.body
            if isinstance(f, ast.AnnAssign) and isinstance(f.target, ast.Name)
        }
        for c in classes
    }


@pytest.mark.parametrize("kind", OPTIONS, ids=lambda k: k.__name__)
def test_help_signature_and_stub_tell_the_same(kind: type[Any]) -> None:
    parameters = inspect.signature(kind).parameters
    fields = stub()[kind.__name__]
    assert list(fields) == list(parameters)
    default = kind()
    for name, parameter in parameters.items():
        assert f"    {name}: " in (kind.__doc__ or ""), name
        assert parameter.default == getattr(default, name)
        written = fields[name]
        assert written is not None, name
        if not (isinstance(written, ast.Constant) and written.value is ...):
            assert ast.literal_eval(written) == parameter.default, name


def test_the_docstring_says_range_and_what_more_does() -> None:
    assert "lift_mm: Clear height between the base" in (vw.Raft.__doc__ or "")
    assert "From 0 to 100 mm. Larger: more room for a scraper" in (vw.Raft.__doc__ or "")


def test_a_written_setup_or_recipe_explains_every_option() -> None:
    for text in (vw.Setup().to_toml(), vw.Recipe([vw.Raft()]).to_toml()):
        lines = [line for line in text.splitlines() if line]
        for above, line in itertools.pairwise(lines):
            if "=" in line and not line.startswith(("#", "pass =")):
                assert above.startswith("# "), line
    # What is not set stands there to be filled in.
    assert "\n# inset_mm =\n" in vw.Recipe([vw.Raft()]).to_toml()


def test_an_old_name_is_answered_with_the_new() -> None:
    with pytest.raises(vw.ConfigError, match="`pad` is called `solid` now"):
        vw.Recipe.from_toml('[[steps]]\npass = "raft"\nstyle = "pad"\n')
