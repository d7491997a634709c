"""The command line: a thin shell over the questions; a command imports only what it needs.

Written with ``argparse`` because an answer must come in little more than the interpreter's own start;
a larger command-line library would cost a third of that time.
"""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING, Any, NoReturn

import kg
from kg.commands import FIELDS_OF, FUNCTIONS, JOINED, QUESTIONS

if TYPE_CHECKING:
    from kg.answer import Answer

FAILED = 1
NOT_UNDERSTOOD = 2
_LINES = 25
_DESCRIPTION = """What blood tubes, additives, handling and interferences do to laboratory tests, and why.
Local procedures, the method's own documentation and the responsible laboratory professional decide;
this tool does not diagnose."""

class _Parser(argparse.ArgumentParser):
    """Ends with one line that says what is wrong and where help is."""

    def error(self, message: str) -> NoReturn:
        self.exit(NOT_UNDERSTOOD, f"{self.prog}: {message}; see '{self.prog} --help'\n")


def parser(only: str | None = None, helping: bool = False) -> argparse.ArgumentParser:
    """Return the parser of the command line.

    Args:
        only: a question; its command alone is made then, because making all of them takes as long as
            answering.
        helping: whether help was asked for, which lists more than parsing needs.
    """
    top = _Parser(prog="tubelore", description=_DESCRIPTION, formatter_class=argparse.RawDescriptionHelpFormatter)
    top.add_argument("--version", action="version", version=f"tubelore {kg.__version__}, data {kg.DATA_VERSION}")
    commands = top.add_subparsers(dest="command", metavar="COMMAND", required=True, prog="tubelore")
    for name in [only] if only else QUESTIONS:
        text, arguments, options = QUESTIONS[name]
        command = commands.add_parser(name, help=text, description=f"{text[0].upper()}{text[1:]}.", epilog=_fields() if helping and only in FIELDS_OF else None,
                                      formatter_class=argparse.RawDescriptionHelpFormatter)
        for argument, number, help_text in arguments:
            command.add_argument(argument, help=help_text, **({} if number == 1 else {"nargs": number}))
        for option, metavar, help_text in options:
            command.add_argument(f"--{option}", help=help_text, **_taking(metavar))
        command.add_argument("--all", action="store_true", dest="everything", help="print every line of long lists")
        _common(command)
    if not only:
        _add_other_commands(commands)
    return top


def _fields() -> str:
    """Return what may be said of a specimen, from the schema of its story."""
    import textwrap

    from kg.forms import schema_of

    lines = ["What may be said of the specimen, as FIELD=VALUE:"]
    for field, described in schema_of("accept-input")["properties"].items():
        if field not in ("tests", "storage"):
            choices = f" One of: {', '.join(described['enum'])}." if "enum" in described else ""
            lines += textwrap.wrap(f"{field}: {described.get('description', '')}{choices}", 100, initial_indent="  ", subsequent_indent="      ")
    return "\n".join(lines)


def _taking(metavar: str) -> dict[str, Any]:
    """Return how an option is declared: with a value, with several (``NAME...``), or as a switch where it has no metavar."""
    if metavar.endswith("..."):
        return {"metavar": metavar.removesuffix("..."), "nargs": "+"}
    return {"metavar": metavar} if metavar else {"action": "store_true"}


def _add_other_commands(commands: Any) -> None:
    build = commands.add_parser("build", help="build the database: tables, graph, shapes, rules, SQLite, N-Quads and Turtle")
    build.add_argument("--output", metavar="FILE", help="the SQLite file to write; the default place when not given")
    build.add_argument("--catalogue", metavar="FILE", help="a test catalogue to build in, instead of the demonstration laboratory")
    build.add_argument("--json", action="store_true", dest="as_json", help="print the summary as JSON")
    derivation = commands.add_parser("derivation", help="report how far published effects and those derived from chemistry agree")
    _common(derivation)
    catalogue = commands.add_parser("catalogue", help="work with the local test catalogue")
    actions = catalogue.add_subparsers(dest="action", metavar="ACTION", required=True)
    importing = actions.add_parser("import", help="check a catalogue (CSV) row by row and put it in place of the present one")
    importing.add_argument("file", help="the catalogue")
    _common(importing)
    browse = commands.add_parser("browse", help="serve the database on this machine only, read-only, for a web browser")
    browse.add_argument("--port", type=_port, default=8501, help="port on the loopback address; 0 for a free one (default: 8501)")
    browse.add_argument("--no-open", action="store_true", help="do not open a browser")
    browse.add_argument("--database", metavar="FILE", help="another database than the default one")


def _common(command: argparse.ArgumentParser) -> None:
    command.add_argument("--json", action="store_true", dest="as_json", help="print the answer as JSON")
    command.add_argument("--database", metavar="FILE", help="another database than the default one")


def _port(text: str) -> int:
    if not text.isdecimal() or int(text) > 65535:
        raise argparse.ArgumentTypeError(f"'{text}' is not a port; a number from 0 to 65535 is needed")
    return int(text)


def main(arguments: list[str] | None = None) -> int:
    """Run one command.

    Args:
        arguments: the words after ``tubelore``; those of the process when not given.

    Returns:
        the exit status: 0, 1 when something failed, 2 when something was not understood.
    """
    words = sys.argv[1:] if arguments is None else arguments
    only = words[0] if words and words[0] in QUESTIONS else None
    values = vars(parser(only, bool({"-h", "--help"} & set(words))).parse_args(words))
    command = values.pop("command")
    if command in QUESTIONS:
        return _question(command, values)
    if command == "browse":
        from kg.browse import run_browse

        return run_browse(values["database"], values["port"], not values["no_open"])
    from kg import building

    if command == "build":
        return building.run_build(values["output"], values["catalogue"], values["as_json"])
    if command == "derivation":
        return building.run_derivation(values["database"], values["as_json"])
    return building.run_import(values["file"], values["database"], values["as_json"])


def _question(name: str, values: dict[str, Any]) -> int:
    from kg.database import open_database
    from kg.names import AmbiguousName, UnknownName
    from kg.problem import FormError, TubeloreError

    as_json, everything, database = (values.pop(key) for key in ("as_json", "everything", "database"))
    values = {key: " ".join(value) if key in JOINED else value for key, value in values.items()}
    try:
        answer = _answer(name, values, open_database(database))
    except (UnknownName, AmbiguousName) as error:
        choices = error.suggestions if isinstance(error, UnknownName) else [choice.id for choice in error.choices]
        return _refuse(str(error), choices, as_json, NOT_UNDERSTOOD)
    except TubeloreError as error:
        return _refuse(str(error), [], as_json, NOT_UNDERSTOOD if isinstance(error, FormError) else FAILED)
    if as_json:
        _write_json(answer.to_json())
    else:
        _write(answer.to_text(limit=None if everything else _LINES))
    unread = answer.data.get("not_understood") or answer.data.get("problems")
    return NOT_UNDERSTOOD if unread or answer.verdict in ("not-understood", "ambiguous") else 0


def _answer(name: str, values: dict[str, Any], connection: Any) -> Answer:
    place, function = FUNCTIONS.get(name, (f"kg.questions.{name}", name))
    answer: Answer = getattr(__import__(place, fromlist=[function]), function)(connection, **values)
    return answer


def _refuse(message: str, choices: list[str], as_json: bool, status: int) -> int:
    if as_json:
        _write_json({"error": message, "suggestions": choices})
    else:
        print(f"tubelore: {message}", file=sys.stderr)
    return status


def _write_json(value: Any) -> None:
    import json

    _write(json.dumps(value, ensure_ascii=False, indent=1))


def _write(text: str) -> None:
    """Print, and end quietly when the reader has gone (``| head``)."""
    try:
        print(text, flush=True)
    except BrokenPipeError:
        sys.stderr.close()


if __name__ == "__main__":
    sys.exit(main())
