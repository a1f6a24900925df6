"""Blocks of code on a page, run as they are printed."""

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path


def blocks(page: Path) -> Iterator[tuple[str, str]]:
    """Language and text of every block, also of those inside a list."""
    for indent, language, text in re.findall(
        r"^( *)```(python|sh)\n(.*?)^ *```$", page.read_text(), re.DOTALL | re.MULTILINE
    ):
        yield language, re.sub(rf"^{indent}", "", text, flags=re.MULTILINE)


def run(language: str, text: str, folder: Path) -> subprocess.CompletedProcess[str]:
    script = folder / f"block.{language}"
    script.write_text(text)
    bin_folder = Path(sys.executable).parent
    return subprocess.run(
        [sys.executable if language == "python" else "sh", script.name],
        cwd=folder,
        env=os.environ | {"PATH": f"{bin_folder}{os.pathsep}{os.environ['PATH']}"},
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
