"""The site: `make docs` builds it from the pages, the notebooks and the package as built."""

import json
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from sphinx.application import Sphinx

import vatwright

sys.path.insert(0, str(Path(__file__).parent))
import options

project = "vatwright"
author = "the vatwright contributors"
copyright = "the vatwright contributors, MIT OR Apache-2.0"
release = version = vatwright.__version__

# The source folder is the top of the repository, so that pages link to code and notebooks alike.
root_doc = "docs/index"
include_patterns = ["docs/**", "notebooks/*.ipynb", "DEVELOPERS.md"]
exclude_patterns = [".venv", "target", "out"]
extensions = ["myst_nb", "sphinx.ext.autodoc", "sphinx.ext.napoleon"]
suppress_warnings = ["mystnb.unknown_mime_type"]

myst_heading_anchors = 3
myst_enable_extensions = ["colon_fence"]

# Notebooks are stored without output; here they run, and one that fails fails the site.
nb_execution_mode = "cache"
nb_execution_raise_on_error = True
nb_execution_timeout = 300
os.environ.setdefault("VATWRIGHT_FIGURES", "24")

# Docstrings write code in single backticks, as the Rust docs they come from do.
default_role = "code"
autodoc_typehints = "signature"
autodoc_member_order = "bysource"

html_theme = "furo"
html_title = f"vatwright {release}"
html_copy_source = False


def _help(*words: str) -> Iterator[str]:
    text = _asked(*words)
    yield f"## {' '.join(words) or 'vatwright'}\n\n```text\n{text}```\n"
    for word in re.findall(r"^    (\w+) ", text, re.MULTILINE):
        yield from _help(*words, word)


def _asked(*words: str) -> str:
    command = [sys.executable, "-m", "vatwright", *words, "--help"]
    env = os.environ | {"COLUMNS": "80"}
    return subprocess.run(command, env=env, check=True, capture_output=True, text=True).stdout


def _licences() -> Iterator[str]:
    """The crates in the wheel, by what cargo has resolved."""
    top = Path(__file__).parents[1]
    asked = ["cargo", "metadata", "--format-version=1", "--locked"]
    told = json.loads(subprocess.run(asked, cwd=top, check=True, capture_output=True).stdout)
    needs = {node["id"]: node["deps"] for node in told["resolve"]["nodes"]}
    packages = {package["id"]: package for package in told["packages"]}
    held, rest = set(), [i for i, p in packages.items() if p["name"] == "vatwright-bindings"]
    while rest:
        held.add(one := rest.pop())
        for need in needs[one]:
            linked = any(kind["kind"] is None for kind in need["dep_kinds"])
            if linked and need["pkg"] not in held:
                rest.append(need["pkg"])
    yield "| crate | version | licence |\n|---|---|---|"
    for crate in sorted((packages[i] for i in held), key=lambda p: (p["name"], p["version"])):
        if crate["source"]:
            yield f"| {crate['name']} | {crate['version']} | {crate['license'] or 'see its text'} |"


def _say_what_is_declared(app: Sphinx, name: str, text: list[str]) -> None:
    if name == "docs/reference/options":
        text[0] = text[0].replace("<!-- tables -->", "\n".join(options.tables()))
    elif name == "docs/licences":
        text[0] = text[0].replace("<!-- licences -->", "\n".join(_licences()))
    elif name == "docs/reference/command":
        text[0] = text[0].replace("<!-- help -->", "\n".join(_help()))


def _keep_bars(*args: Any) -> None:
    """In a docstring |F| is the size of F; to Sphinx it would be a name to replace."""
    lines: list[str] = args[-1]
    lines[:] = [line.replace("|", r"\|") for line in lines]


def setup(app: Sphinx) -> None:
    """What Sphinx calls first."""
    app.connect("source-read", _say_what_is_declared)
    app.connect("autodoc-process-docstring", _keep_bars)
