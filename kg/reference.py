"""The reference of commands, questions, checks, rules and columns, made from what they say of themselves.

``python -m kg.reference`` writes ``build/reference.md``; a test compares it with what the code and the
tables say now.
"""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Iterator
from pathlib import Path

from kg import paths
from kg.cli import parser
from kg.tables import load_tables


def reference() -> str:
    """Return the whole reference as Markdown."""
    return "\n".join([
        "# Reference", "",
        "Made by `python -m kg.reference`; do not edit by hand.", "",
        "## Commands", "", *_commands(parser()),
        "## Named queries", "", *_queries(),
        "## Rules", "", *_headed("rules", ("title", "says")),
        "## Checks of the graph", "", *_headed("checks", ("problem", "solution", "severity")),
        "## Fact tables", "", *_tables(),
    ])


def _commands(top: argparse.ArgumentParser, prefix: str = "tubelore") -> Iterator[str]:
    for action in top._actions:
        if isinstance(action, argparse._SubParsersAction):
            helps = {choice.dest: choice.help for choice in action._choices_actions}
            for name, command in action.choices.items():
                yield f"### `{prefix} {name}`"
                yield ""
                yield f"{_sentence(str(helps.get(name, '')))}"
                yield ""
                yield from _arguments(command)
                yield from _commands(command, f"{prefix} {name}")


def _arguments(command: argparse.ArgumentParser) -> Iterator[str]:
    listed = [a for a in command._actions if not isinstance(a, argparse._SubParsersAction | argparse._HelpAction)]
    for action in listed:
        option = action.option_strings[-1] if action.option_strings else ""
        value = str(action.metavar or ("" if option else action.dest))
        name = f"{option} {value}".strip()
        yield f"- `{name}`: {action.help}"
    if listed:
        yield ""


def _queries() -> Iterator[str]:
    folder = Path(paths.resource("queries", "questions"))
    for path in sorted(folder.glob("*.sql")):
        header = dict(re.findall(r"^-- (answers|parameters): *(.+)$", path.read_text(encoding="utf-8"), re.MULTILINE))
        also = " Also as SPARQL." if path.with_suffix(".rq").exists() else ""
        yield f"- `{path.stem}`: {header['answers']}. Parameters: {header['parameters']}.{also}"
    yield ""


def _headed(folder: str, names: tuple[str, ...]) -> Iterator[str]:
    for path in sorted(Path(paths.resource("queries", folder)).glob("*.rq")):
        header = dict(re.findall(rf"^# ({'|'.join(names)}): *(.+)$", path.read_text(encoding="utf-8"), re.MULTILINE))
        yield f"- `{path.stem}`: {' '.join(_sentence(header[name]) for name in names)}"
    yield ""


def _tables() -> Iterator[str]:
    described = dict(re.findall(r'^tl:(\w+) a rdf:Property ;\n    rdfs:label [^\n]+\n    skos:definition "([^"]+)"', _vocabulary(), re.MULTILINE))
    for table in load_tables(Path(paths.resource("ontology", "facts"))):
        yield f"### `{table.name}.csv`"
        yield ""
        yield f"{table.description} A row reads: `{table.sentence}`"
        yield ""
        for column in table.columns:
            meaning = column.description or described.get(column.predicate.rsplit("#", 1)[-1], "")
            kind = f"ids of {' or '.join(column.refers_to)}" if column.refers_to else column.allowed.replace("|", ", ") or column.datatype
            many = ", several with ;" if column.many else ""
            needed = ", required" if column.parser.required else ""
            yield f"- `{column.name}` ({kind}{many}{needed}){': ' + meaning if meaning else ''}"
        yield ""


def _vocabulary() -> str:
    return Path(paths.resource("ontology", "vocabulary.ttl")).read_text(encoding="utf-8")


def _sentence(text: str) -> str:
    text = text[:1].upper() + text[1:]
    return text if text.endswith(".") else f"{text}."


def main() -> int:
    """Write the reference."""
    path = Path(paths.resource("build")) / "reference.md"
    path.write_text(reference() + "\n", encoding="utf-8")
    print(f"written: {path}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
