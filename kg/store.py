"""The SQLite index: fact tables as their metadata describes them, and the joins that questions need."""

from __future__ import annotations

import sqlite3
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pyoxigraph as ox

from kg import paths, terms
from kg.derive import Rule
from kg.graph import DERIVED_GRAPH, Dataset
from kg.tables import Column, Row, Table
from kg.wording import fold, inside, sentence

if TYPE_CHECKING:
    import networkx

EFFECT_CLASS = terms.VOCAB + "Effect"
_SKOS = terms.PREFIXES["skos"]
_TYPES = {"decimal": "REAL", "integer": "INTEGER"}
_EFFECT_COLUMNS = (
    "id cause analyte mechanism method material direction usability low high unit magnitude_meaning "
    "dose dose_unit dose_meaning condition setting explanation status source locator basis note"
).split()

Rows = Mapping[str, Sequence[Row]]


def create(connection: sqlite3.Connection, tables: Iterable[Table]) -> None:
    """Create all tables: those of the metadata, then those of ``build/schema.sql``."""
    for table in tables:
        if table.rdf_class != EFFECT_CLASS:
            connection.execute(_create_statement(table))
    connection.executescript(Path(paths.resource("build", "schema.sql")).read_text(encoding="utf-8"))


def _create_statement(table: Table) -> str:
    lines = []
    for column in table.columns:
        kind = "TEXT" if column.many else _TYPES.get(column.datatype, "TEXT")
        line = f'"{column.name}" {kind}'
        if column.name == "id":
            line += " PRIMARY KEY"
        elif column.parser.required:
            line += " NOT NULL"
        if column.refers_to and not column.many:
            target = column.refers_to[0] if len(column.refers_to) == 1 else "concept"
            line += f' REFERENCES "{target}"(id)'
        lines.append(line)
    lines.append('"row" INTEGER NOT NULL')
    return f'CREATE TABLE "{table.name}" (\n  ' + ",\n  ".join(lines) + "\n) STRICT"


def write_descriptions(connection: sqlite3.Connection, tables: Iterable[Table], dataset: Dataset) -> None:
    """Write what tables and columns mean: the column's own description, else that of its property."""
    defined = {str(s["p"].value): str(s["d"].value) for s in
               dataset.query(f"SELECT ?p ?d {{ ?p <{_SKOS}definition> ?d FILTER(STRSTARTS(STR(?p), '{terms.VOCAB}')) }}")}
    for table in tables:
        if table.rdf_class == EFFECT_CLASS:
            continue
        _insert(connection, "table_info", ["table_name", "title", "description"], [[table.name, table.title, table.description]])
        _insert(connection, "column_info", ["table_name", "column_name", "description"],
                ([table.name, c.name, c.description or defined.get(c.predicate) or _STANDARD.get(c.name, c.name)] for c in table.columns))


_STANDARD = {
    "label": "The name, as a technologist says it.",
    "synonyms": "Other names, separated by semicolons.",
    "definition": "What it is, in one line.",
    "broader": "The more general term.",
    "note": "A remark.",
    "source": "The source of the fact.",
    "title": "The title.",
    "authors": "The authors.",
    "year": "The year.",
    "container": "The journal, book or body.",
    "identifier": "The identifier or address.",
}
"""Columns whose properties come from other vocabularies."""


def write_facts(connection: sqlite3.Connection, rows: Rows, words: Words) -> None:
    """Write every row of every table, the concepts among them, and each row as a sentence."""
    for name, table_rows in rows.items():
        if not table_rows:
            continue
        table = table_rows[0].table
        if table.rdf_class == EFFECT_CLASS:
            _insert(connection, "effect", _EFFECT_COLUMNS, (_effect(row) for row in table_rows))
        else:
            columns = [column.name for column in table.columns]
            _insert(connection, name, [*columns, "row"],
                    ([_cell(row.values[c]) for c in columns] + [row.line] for row in table_rows))
        if table.is_concept:
            _insert(connection, "concept", "id kind label definition broader table_name row source basis".split(),
                    (_concept(row) for row in table_rows))
        _insert(connection, "fact", "id table_name row sentence source locator basis".split(),
                ([row.id, name, row.line, words.row_sentence(row), *(row.values.get(c) for c in ("source", "locator", "basis"))]
                 for row in table_rows))


def _insert(connection: sqlite3.Connection, table: str, columns: Sequence[str], values: Iterable[Sequence[Any]]) -> None:
    names = ", ".join(f'"{column}"' for column in columns)
    marks = ", ".join("?" * len(columns))
    connection.executemany(f'INSERT INTO "{table}" ({names}) VALUES ({marks})', values)


def _cell(value: Any) -> Any:
    if isinstance(value, Decimal):
        return float(value)
    if isinstance(value, list):
        return ";".join(value) or None
    return value


def _effect(row: Row) -> list[Any]:
    values = dict(row.values)
    values["cause"] = values.get("additive") or values.get("factor")
    values["status"] = "asserted"
    return [_cell(values.get(column)) for column in _EFFECT_COLUMNS]


def _concept(row: Row) -> list[Any]:
    values = row.values
    label = values.get("label") or values.get("title")
    kind = row.table.rdf_class.rsplit("#", 1)[1]
    return [row.id, kind, label, values.get("definition"), values.get("broader"), row.table.name, row.line,
            values.get("source"), values.get("basis")]


class Words:
    """Turns ids and controlled words into what a person reads."""

    def __init__(self, rows: Rows, dataset: Dataset) -> None:
        self.label: dict[str, str] = {}
        for table_rows in rows.values():
            for row in table_rows:
                if row.table.is_concept:
                    self.label[row.id] = str(row.values.get("label") or row.values.get("title"))
        self.controlled = {
            str(s["word"].value): str(s["label"].value)
            for s in dataset.query(f"SELECT ?word ?label {{ ?word <{_SKOS}inScheme> ?s ; <{_SKOS}prefLabel> ?label }}")
        }

    def read(self, column: Column, value: Any) -> str:
        """Return one cell as it is read in a sentence."""
        if value is None or value == []:
            return ""
        if isinstance(value, Decimal):
            return f"{value:f}"
        parts = value if isinstance(value, list) else [str(value)]
        if column.refers_to:
            return ", ".join(inside(self.label.get(part, part)) for part in parts)
        if column.value_prefix:
            return ", ".join(self.controlled[column.value_prefix + part] for part in parts)
        return ", ".join(parts)

    def row_sentence(self, row: Row) -> str:
        """Return a row as one sentence, by the template of its table."""
        words = {column.name: self.read(column, row.values[column.name]) for column in row.table.columns}
        return sentence(row.table.sentence, words)


def write_derived(connection: sqlite3.Connection, dataset: Dataset, rules: Sequence[Rule], words: Words) -> None:
    """Write what the rules concluded: effects, interactions, rules, proofs and premises."""
    nodes: dict[str, dict[str, str]] = defaultdict(dict)
    kinds: dict[str, str] = {}
    for quad in dataset.quads:
        if quad.graph_name == DERIVED_GRAPH:
            subject, prop, value = (term.value for term in (quad.subject, quad.predicate, quad.object))  # type: ignore[union-attr]
            if prop == terms.RDF_TYPE:
                kinds[subject] = terms.local(value)
            elif prop.startswith(terms.VOCAB):
                nodes[subject][terms.local(prop)] = value if isinstance(quad.object, ox.Literal) else terms.local(value)
    effects = {terms.local(n): nodes[n] for n in sorted(kinds) if kinds[n] == "Effect"}
    actions = {terms.local(n): nodes[n] for n in sorted(kinds) if kinds[n] == "Interaction"}
    proofs = {terms.local(n): nodes[n] for n in sorted(kinds) if kinds[n] == "Proof"}
    label = words.label
    _insert(connection, "effect", ["id", "cause", "analyte", "mechanism", "method", "direction", "condition", "status"],
            ([i, v["cause"], v["analyte"], v["mechanism"], v.get("method"), v["direction"].removeprefix("direction-"),
              v.get("condition"), "derived"] for i, v in effects.items()))
    _insert(connection, "interaction", ["id", "agent", "verb", "target"],
            ([i, v["agent"], v["verb"].removeprefix("verb-"), v["target"]] for i, v in actions.items()))
    _insert(connection, "fact", ["id", "table_name", "sentence"],
            ([i, "effect", f"{label[v['analyte']]} with {inside(label[v['cause']])}: "
              f"{_MOVES[v['direction']]} by {inside(label[v['mechanism']])}{f' ({condition})' if (condition := v.get('condition')) else ''}"]
             for i, v in effects.items()))
    _insert(connection, "fact", ["id", "table_name", "sentence"],
            ([i, "interaction", f"{label[v['agent']]} {words.controlled[terms.VOCAB + v['verb']]} {inside(label[v['target']])}"]
             for i, v in actions.items()))
    count: dict[str, int] = defaultdict(int)
    for proof in proofs.values():
        count[proof["rule"]] += 1
    _insert(connection, "rule", ["id", "title", "says", "proofs", "sparql"],
            ([r.id, r.title, r.says, count[r.id], r.sparql] for r in rules))
    _insert(connection, "proof", ["id", "conclusion", "rule"], ([i, v["concludes"], v["rule"]] for i, v in proofs.items()))
    _insert(connection, "premise", ["proof", "position", "fact"], _premises(proofs))


_MOVES = {"direction-increase": "rises", "direction-decrease": "falls", "direction-no-effect": "is kept",
          "direction-unmeasurable": "cannot be measured", "direction-variable": "may rise or fall"}


def _premises(proofs: Mapping[str, Mapping[str, str]]) -> Iterator[list[Any]]:
    for proof, values in proofs.items():
        for name, fact in sorted(values.items()):
            if name.startswith("premise"):
                yield [proof, int(name.removeprefix("premise")), fact]


def write_names(connection: sqlite3.Connection, rows: Rows, mappings: Iterable[tuple[str, ...]]) -> None:
    """Write every name of every concept, and the mappings to outside codes.

    Args:
        connection: the database under construction.
        rows: all rows by table.
        mappings: rows of subject, predicate, system, code, display and basis.
    """
    names: dict[tuple[str, str], tuple[str, str]] = {}
    for table_rows in rows.values():
        for row in table_rows:
            if not row.table.is_concept or row.table.name == "sources":
                continue
            values = row.values
            synonyms = values.get("synonyms")
            given = [(str(values["label"]), "label"), (row.id, "id")]
            given += [(text, "synonym") for text in (synonyms if isinstance(synonyms, list) else [])]
            if values.get("colour"):
                given.append((str(values["colour"]), "colour"))
            for text, sort in given:
                names.setdefault((fold(text), row.id), (text, sort))
    mappings = list(mappings)
    for subject, _, system, code, _, _ in mappings:
        if system == "LOINC":
            names.setdefault((fold(code), subject), (code, "LOINC"))
    _insert(connection, "name", ["folded", "concept", "name", "sort"],
            ([folded, concept, *value] for (folded, concept), value in sorted(names.items()) if folded))
    _insert(connection, "mapping", ["subject", "predicate", "system", "code", "display", "basis"], sorted(mappings))


def hierarchy(rows: Rows, dataset: Dataset) -> networkx.DiGraph[str]:
    """Return the graph of ``broader`` and of membership, stated or derived, from the narrower to the broader."""
    import networkx

    graph: networkx.DiGraph[str] = networkx.DiGraph()
    for table_rows in rows.values():
        for row in table_rows:
            if not row.table.is_concept or row.table.name == "sources":
                continue
            graph.add_node(row.id)
            if row.values.get("broader"):
                graph.add_edge(row.id, row.values["broader"])
            for member in row.values.get("members") or ():  # type: ignore[union-attr]
                graph.add_edge(member, row.id)
    belonging = f"SELECT ?a ?t {{ ?a <{terms.VOCAB}memberOf> ?t }}"
    for solution in dataset.query(belonging):
        graph.add_edge(terms.local(solution["a"].value), terms.local(solution["t"].value))
    return graph


def write_closure(connection: sqlite3.Connection, graph: networkx.DiGraph[str]) -> None:
    """Write the closure of a hierarchy, each concept at distance 0 of itself."""
    import networkx

    lengths = dict(networkx.all_pairs_shortest_path_length(graph))
    _insert(connection, "closure", ["narrower", "broader", "distance"],
            ([narrower, broader, distance] for narrower in sorted(lengths)
             for broader, distance in sorted(lengths[narrower].items())))


COUNTS = {
    "analytes": "SELECT count(*) FROM analytes",
    "additives": "SELECT count(*) FROM additives",
    "containers": "SELECT count(*) FROM containers",
    "factors": "SELECT count(*) FROM factors",
    "mechanisms": "SELECT count(*) FROM mechanisms",
    "effects_asserted": "SELECT count(*) FROM effect WHERE status = 'asserted'",
    "effects_derived": "SELECT count(*) FROM effect WHERE status = 'derived'",
    "proofs": "SELECT count(*) FROM proof",
    "stability_limits": "SELECT count(*) FROM stability",
    "handling_rules": "SELECT count(*) FROM handling",
    "suitabilities": "SELECT count(*) FROM suitability",
    "sources": "SELECT count(*) FROM sources",
    "facts": "SELECT count(*) FROM fact",
    "tests": "SELECT count(*) FROM test",
}
"""Figures that a build reports."""


def finish(path: Path, tables: Iterable[Table]) -> None:
    """Add indexes and full-text search, check the file and pack it.

    Raises:
        BuildError: SQLite finds the file damaged or a reference broken.
    """
    import sqlite_utils

    from kg.problem import BuildError

    database = sqlite_utils.Database(path)
    database.index_foreign_keys()
    for table, columns in _INDEXES:
        database[table].create_index(columns, if_not_exists=True)  # type: ignore[union-attr]
    for table, columns in _SEARCHED:
        database[table].enable_fts(columns, tokenize="porter unicode61 remove_diacritics 2")  # type: ignore[union-attr]
    damage = [row[0] for row in database.execute("PRAGMA integrity_check") if row[0] != "ok"]
    broken = list(database.execute("PRAGMA foreign_key_check"))
    if damage or broken:
        raise BuildError(f"the database is not sound: {(damage or broken)[:3]}")
    database.execute("ANALYZE")
    database.conn.commit()
    database.execute("PRAGMA journal_mode = DELETE")
    database.vacuum()
    database.close()


_INDEXES: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("effect", ("analyte", "cause")),
    ("effect", ("cause", "analyte")),
    ("effect", ("status", "agreement")),
    ("effect", ("direction",)),
    ("closure", ("broader", "narrower")),
    ("proof", ("conclusion",)),
    ("premise", ("fact",)),
    ("name", ("concept",)),
    ("concept", ("kind", "label")),
    ("fact", ("table_name",)),
    ("fact", ("source",)),
    ("test", ("name",)),
    ("test_analyte", ("analyte",)),
    ("test_member", ("member",)),
)
_SEARCHED: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("fact", ("sentence",)),
    ("concept", ("label", "definition")),
    ("sources", ("title", "authors")),
    ("test", ("code", "name")),
)
