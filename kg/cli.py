"""The command line: a thin shell; every command imports what it needs when it runs."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

import click

import kg

if TYPE_CHECKING:
    from kg.answer import Answer

_JSON = click.option("--json", "as_json", is_flag=True, help="Print the answer as JSON.")
_DATABASE = click.option("--database", metavar="FILE", help="Another database than the default one.")
_ALL = click.option("--all", "everything", is_flag=True, help="Print every line of long lists.")
NOT_UNDERSTOOD = 2


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(f"{kg.__version__}, data {kg.DATA_VERSION}", prog_name="tubelore")
def main() -> None:
    """What blood tubes, additives, handling and interferences do to laboratory tests, and why.

    Local procedures, the method's own documentation and the responsible laboratory professional decide;
    this tool does not diagnose.
    """


def _question(name: str, help_text: str, *parameters: Any) -> Any:
    """Make a command that asks one question and prints its answer."""

    def run(as_json: bool, everything: bool, database: str | None, **values: Any) -> None:
        _print(name, values, as_json, everything, database)

    run.__doc__ = help_text
    command = run
    for parameter in (*reversed(parameters), _ALL, _DATABASE, _JSON):
        command = parameter(command)
    return main.command(name)(command)


def _print(name: str, values: dict[str, Any], as_json: bool, everything: bool, database: str | None) -> None:
    from kg.database import open_database
    from kg.names import AmbiguousName, UnknownName
    from kg.problem import TubeloreError

    try:
        answer = _answer(name, values, open_database(database))
    except (UnknownName, AmbiguousName) as error:
        if as_json:
            choices = getattr(error, "suggestions", None) or [c.id for c in getattr(error, "choices", [])]
            _write_json({"error": str(error), "suggestions": choices})
        else:
            click.echo(f"tubelore: {error}", err=True)
        sys.exit(NOT_UNDERSTOOD)
    except TubeloreError as error:
        _fail(str(error))
    if as_json:
        _write_json(answer.to_json())
    else:
        click.echo(answer.to_text(limit=None if everything else 25))
    if answer.verdict in ("not-understood", "ambiguous"):
        sys.exit(NOT_UNDERSTOOD)


def _answer(name: str, values: dict[str, Any], connection: Any) -> "Answer":
    from importlib import import_module

    module = import_module(f"kg.{name}" if name == "ask" else f"kg.questions.{name}")
    answer: Answer = getattr(module, name)(connection, **values)
    return answer


def _write_json(value: Any) -> None:
    import json

    click.echo(json.dumps(value, ensure_ascii=False, indent=1))


def _fail(message: str) -> None:
    click.echo(f"tubelore: {message}", err=True)
    sys.exit(1)


class _Words(click.Argument):
    """An argument that takes all words and joins them."""

    def type_cast_value(self, ctx: click.Context, value: Any) -> Any:
        return " ".join(super().type_cast_value(ctx, value))


def _words(name: str) -> Any:
    return click.argument(name, nargs=-1, required=True, cls=_Words)


_question("invalidates", "List every analyte, test and panel that ADDITIVE makes unusable or limits.",
          click.argument("additive"), click.option("--material", metavar="M", help="Only on this specimen material."))
_question("why", "Explain what CAUSE (an additive, container or factor) does to WHAT (an analyte or test).",
          click.argument("what"), click.argument("cause"))
_question("suits", "List the specimen materials and containers that suit TEST (a test or an analyte).", click.argument("test"))
_question("affects", "List every additive and factor that moves ANALYTE, and what tells them apart.", click.argument("analyte"))
_question("order", "Put TUBES (containers or additives) in the draw order of a guideline.",
          click.argument("tubes", nargs=-1), click.option("--guideline", metavar="G", help="Another guideline than the default one."))
_question("handling", "List what has to be done with the specimen for TEST, and how long it keeps.", click.argument("test"))
_question("compare", "Compare two additives, A and B.", click.argument("first", metavar="A"), click.argument("second", metavar="B"))
_question("about", "Describe TERM: what it means, its names and codes, what is recorded.", _words("term"))
_question("search", "Find every term, test and fact that holds all WORDS.", _words("words"))
_question("sources", "List the sources, or the facts that rest on SOURCE.", click.argument("source", required=False))
_question("ask", "Answer a question in plain words, TEXT.", _words("text"))


@main.command()
@click.option("--output", metavar="FILE", help="The SQLite file to write; the default place when not given.")
@click.option("--catalogue", metavar="FILE", help="A test catalogue to build in, instead of the demonstration laboratory.")
@_JSON
def build(output: str | None, catalogue: str | None, as_json: bool) -> None:
    """Build the database: tables, graph, shapes, rules, SQLite, N-Quads and Turtle."""
    from kg.building import run_build

    sys.exit(run_build(output, catalogue, as_json))


@main.command()
@_DATABASE
@_JSON
def derivation(database: str | None, as_json: bool) -> None:
    """Report how far published effects and those derived from chemistry agree, and where not."""
    from kg.building import run_derivation

    sys.exit(run_derivation(database, as_json))


@main.group("catalogue")
def catalogue_group() -> None:
    """Work with the local test catalogue."""


@catalogue_group.command("import")
@click.argument("file")
@_DATABASE
@_JSON
def catalogue_import(file: str, database: str | None, as_json: bool) -> None:
    """Check the catalogue FILE (CSV) row by row and put it in place of the present one."""
    from kg.building import run_import

    sys.exit(run_import(file, database, as_json))


@main.command()
@click.option("--port", type=click.IntRange(0, 65535), default=8501, show_default=True, help="Port on the loopback address; 0 for a free one.")
@click.option("--no-open", is_flag=True, help="Do not open a browser.")
@_DATABASE
def browse(port: int, no_open: bool, database: str | None) -> None:
    """Serve the database on this machine only, read-only, for a web browser."""
    from kg.browse import run_browse

    sys.exit(run_browse(database, port, not no_open))
