"""The command line: exit statuses that mean something, JSON everywhere, no traceback, nothing imported that is not needed."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from kg.cli import main


def _run(*words: str, code: str | None = None) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", code] if code else [sys.executable, "-m", "kg.cli", *words]
    return subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)


def test_an_answer_ends_with_status_zero(database: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["why", "potassium", "k2-edta", "--database", str(database)]) == 0
    assert "rises" in capsys.readouterr().out


@pytest.mark.parametrize("words", [["why", "qwertz", "k2-edta"], ["why", "potassium", "yellow"], ["ask", "will", "it", "rain"]], ids=" ".join)
def test_what_is_not_understood_ends_with_status_two(database: Path, words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*words, "--database", str(database)]) == 2
    shown = capsys.readouterr()
    assert shown.out or shown.err.startswith("tubelore: ")


def test_refusals_are_json_too(database: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["why", "calciun total", "qwertz", "--json", "--database", str(database)]) == 2
    assert set(json.loads(capsys.readouterr().out)) == {"error", "suggestions"}


def test_a_missing_database_says_what_to_do(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["sources", "--database", str(tmp_path / "none.sqlite")]) == 1
    assert "run 'tubelore build' first" in capsys.readouterr().err


@pytest.mark.parametrize("words", [["wy"], ["why"], ["browse", "--port", "99999"], ["sources", "--nonsense"]], ids=" ".join)
def test_wrong_words_end_with_one_line_that_says_where_help_is(words: list[str]) -> None:
    done = _run(*words)
    assert done.returncode == 2
    assert "--help'" in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    assert "Traceback" not in done.stderr


def test_a_reader_that_goes_away_is_no_error(database: Path) -> None:
    done = subprocess.run(f"{sys.executable} -m kg.cli sources --all --database {database} | head -1", shell=True, capture_output=True, text=True, check=False)
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("words", [["--help"], ["why", "potassium", "k2-edta"], ["ask", "why is calcium low in a lavender tube"]], ids=" ".join)
def test_a_question_imports_no_library_of_the_build(database: Path, words: list[str]) -> None:
    heavy = ["rdflib", "pyshacl", "pyoxigraph", "csvw", "networkx", "sqlite_utils", "datasette", "rich", "numpy"]
    target = words if words == ["--help"] else [*words, "--database", str(database)]
    code = f"import sys\nfrom kg.cli import main\ntry:\n    main({target!r})\nexcept SystemExit:\n    pass\nprint([m for m in {heavy!r} if m in sys.modules])"
    assert _run(code=code).stdout.strip().splitlines()[-1] == "[]"


def test_neither_import_nor_question_opens_a_socket(database: Path) -> None:
    code = ("import sys\nsys.addaudithook(lambda event, _: sys.exit('socket: ' + event) if event.startswith('socket.') else None)\n"
            f"from kg.cli import main\nmain(['ask', 'why is calcium low in a lavender tube', '--database', {str(database)!r}])")
    done = _run(code=code)
    assert done.returncode == 0
    assert "EDTA" in done.stdout


def test_the_derivation_report_prints_its_share(database: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["derivation", "--json", "--database", str(database)]) == 0
    report = json.loads(capsys.readouterr().out)
    assert report["chemical"]["derived"] / report["chemical"]["published"] >= 0.6
