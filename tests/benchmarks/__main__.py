"""Speed, memory and what is recognised, as ratios to a baseline measured in the same run: ``python -m tests.benchmarks``.

Nothing here is asserted; the figures are printed for a person to judge. The packages are compiled to byte
code first, as an installer does.
"""

from __future__ import annotations

import compileall
import resource
import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import kg
from kg.database import open_database
from kg.questions.why import why
from tests.benchmarks import computed, learned
from tests.benchmarks.measuring import alternate, report, run

_BARE = [sys.executable, "-c", "import sqlite3, json, argparse"]
_ASK = ("calcium-total", "k2-edta")


def main() -> None:
    """Build once, then measure a process, a question and the build."""
    compileall.compile_dir(Path(kg.__file__).parent, quiet=2)
    with tempfile.TemporaryDirectory() as folder:
        database = Path(folder) / "tubelore.sqlite"
        _build(database)
        _process(database)
        _question(database)
        _sparql(database)
        computed.measure(database)
        learned.measure(database)


def _build(database: Path) -> None:
    command = [sys.executable, "-m", "kg.cli", "build", "--json", "--output", str(database)]
    started = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    seconds = time.perf_counter() - started
    megabytes = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    print(f"full build: {seconds:.1f} s, at most {megabytes:.0f} MB (wanted: 15 s, 500 MB)")


def _process(database: Path) -> None:
    command = [sys.executable, "-c", "import sys; from kg.cli import main; sys.exit(main())",
               "why", *_ASK, "--database", str(database)]
    ours, bare = alternate(lambda: run(command), lambda: run(_BARE), 25)
    report("process 'tubelore why'", ours, "bare interpreter with sqlite3, json, argparse", bare, "at most 2.0")


def _question(database: Path) -> None:
    connection = open_database(str(database))
    statements: list[str] = []
    connection.set_trace_callback(statements.append)
    why(connection, *_ASK)
    connection.set_trace_callback(None)
    plain = sqlite3.connect(f"file:{database}?mode=ro", uri=True)

    def by_hand() -> None:
        for statement in statements:
            plain.execute(statement).fetchall()

    ours, hand = alternate(lambda: why(connection, *_ASK), by_hand, 200)
    report("question 'why' in Python", ours, f"its {len(statements)} statements by hand", hand, "at most 3")


def _sparql(database: Path) -> None:
    import rdflib

    query = (Path(kg.__file__).parent.parent / "queries" / "questions" / "effects_of_pair.rq").read_text(encoding="utf-8")
    graph = rdflib.Graph()
    started = time.perf_counter()
    graph.parse(database.with_suffix(".ttl"), format="turtle")
    print(f"rdflib parses the {len(graph):,} statements in {time.perf_counter() - started:.1f} s")
    connection = open_database(str(database))
    base = "https://w3id.org/tubelore/id/"
    bindings = {"analyte": rdflib.URIRef(base + _ASK[0]), "cause": rdflib.URIRef(base + _ASK[1])}
    ours, theirs = alternate(lambda: why(connection, *_ASK), lambda: list(graph.query(query, initBindings=bindings)), 5)
    print(f"question 'why' in Python is {theirs / ours:.0f} times faster than its main query in rdflib SPARQL "
          f"({1000 * ours:.2f} ms against {1000 * theirs:.0f} ms; wanted: at least 20)")


if __name__ == "__main__":
    main()
