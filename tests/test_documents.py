"""The documents say what the code does: README examples, docstring examples, the reference."""

from __future__ import annotations

import doctest
import importlib
import pkgutil
import re
from pathlib import Path

import pytest

import kg
from kg.cli import parser
from kg.reference import reference
from tests import readme

ROOT = Path(__file__).parent.parent
MODULES = [m.name for m in pkgutil.walk_packages(kg.__path__, "kg.") if not m.name.startswith("kg.shipped")]


@pytest.fixture(autouse=True)
def built_home(database: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "tubelore.sqlite").symlink_to(database)
    monkeypatch.setenv("TUBELORE_HOME", str(tmp_path))


@pytest.mark.parametrize(("command", "shown"), readme.examples(), ids=[command for command, _ in readme.examples()])
def test_each_example_of_the_readme_prints_what_is_shown(command: str, shown: list[str]) -> None:
    assert shown, "run python -m tests.readme"
    assert readme.run(command)[: len(shown)] == shown


def test_the_python_example_of_the_readme_runs() -> None:
    assert doctest.testfile(str(readme.README), module_relative=False).failed == 0


@pytest.mark.parametrize("name", MODULES)
def test_the_examples_in_docstrings_run(name: str) -> None:
    assert doctest.testmod(importlib.import_module(name)).failed == 0


def test_the_reference_is_up_to_date() -> None:
    shown = (ROOT / "build" / "reference.md").read_text(encoding="utf-8")
    assert shown == reference() + "\n", "run python -m kg.reference"


def test_every_command_has_an_example_or_a_mention_in_the_readme() -> None:
    text = readme.README.read_text(encoding="utf-8")
    commands = next(a.choices for a in parser()._actions if a.dest == "command")
    assert [name for name in commands if f"tubelore {name}" not in text] == []


def test_the_folder_holds_exactly_what_the_house_plan_says() -> None:
    listed = {p.name for p in ROOT.iterdir() if not p.name.startswith(".")} - {"dist", "tubelore.egg-info"}
    assert listed == {"README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "pyproject.toml", "kg", "ontology", "build", "tests", "queries"}


def test_no_module_is_longer_than_four_hundred_lines() -> None:
    assert [p.name for p in (ROOT / "kg").rglob("*.py") if len(p.read_text(encoding="utf-8").splitlines()) > 400] == []


def test_every_named_query_says_what_it_answers() -> None:
    folder = ROOT / "queries" / "questions"
    silent = [p.name for p in folder.iterdir() if not re.search(r"^(--|#) answers: .+\n(--|#) parameters: .+$", p.read_text(encoding="utf-8"), re.MULTILINE)]
    assert silent == []
