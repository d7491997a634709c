"""The examples of the README: ``python -m tests.readme`` runs them and writes their output in place."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from pathlib import Path

README = Path(__file__).parent.parent / "README.md"
_BLOCK = re.compile(r"```console\n\$ (?P<command>tubelore [^\n]+)\n(?P<shown>.*?)```", re.DOTALL)
_CUT = "..."


def examples() -> list[tuple[str, list[str]]]:
    """Return each command of the README with the lines shown below it, the mark of the cut left out."""
    text = README.read_text(encoding="utf-8")
    return [(m["command"], [line for line in m["shown"].splitlines() if line != _CUT]) for m in _BLOCK.finditer(text)]


def run(command: str) -> list[str]:
    """Run a command of the README and return the lines that it prints."""
    words = [sys.executable, "-m", "kg.cli", *shlex.split(command)[1:]]
    return subprocess.run(words, capture_output=True, text=True, check=False).stdout.splitlines()


def refresh() -> None:
    """Write the present output of each command into the README, as many lines as are shown or ``@N`` asks for."""

    def block(match: re.Match[str]) -> str:
        shown = match["shown"].strip()
        number = int(shown[1:]) if shown.startswith("@") else len(shown.splitlines()) - 1
        lines = run(match["command"])[:number]
        return "\n".join(["```console", f"$ {match['command']}", *lines, _CUT, "```"])

    README.write_text(_BLOCK.sub(block, README.read_text(encoding="utf-8")), encoding="utf-8")


if __name__ == "__main__":
    refresh()
