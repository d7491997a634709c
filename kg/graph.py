"""Rows and vocabulary as RDF: one named graph for each table, every node with its file and row."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from decimal import Decimal
from pathlib import Path

import pyoxigraph as ox

from kg import terms
from kg.problem import BuildError
from kg.tables import Column, Row, Table

_TYPE = ox.NamedNode(terms.RDF_TYPE)
_FILE = ox.NamedNode(terms.VOCAB + "file")
_LINE = ox.NamedNode(terms.VOCAB + "row")
_DECIMAL = ox.NamedNode(terms.XSD + "decimal")
_INTEGER = ox.NamedNode(terms.XSD + "integer")
VOCABULARY_GRAPH = ox.NamedNode(terms.GRAPH + "vocabulary")
DERIVED_GRAPH = ox.NamedNode(terms.GRAPH + "derived")


class Dataset:
    """All quads of the knowledge base, and a store in which they can be queried.

    The list keeps every literal as it was written; the store, which normalises numbers, is for
    queries only.
    """

    def __init__(self) -> None:
        self.quads: list[ox.Quad] = []
        self.store = ox.Store()

    def add(self, quads: Iterable[ox.Quad]) -> None:
        """Add quads to the list and to the store."""
        new = list(quads)
        self.quads.extend(new)
        self.store.bulk_extend(new)

    def query(self, sparql: str) -> ox.QuerySolutions:
        """Run a SELECT query over all named graphs together."""
        result = self.store.query(sparql, use_default_graph_as_union=True)
        assert isinstance(result, ox.QuerySolutions)
        return result

    def construct(self, sparql: str) -> Iterator[ox.Triple]:
        """Run a CONSTRUCT query over all named graphs together."""
        result = self.store.query(sparql, use_default_graph_as_union=True)
        assert isinstance(result, ox.QueryTriples)
        return result

    def finish_queries(self) -> None:
        """Give the memory of the store back; the quads stay, and nothing can be queried any more."""
        self.store = ox.Store()

    def write_nquads(self, path: Path) -> int:
        """Write the dataset as N-Quads, one sorted line a quad, and return how many there are."""
        count = 0
        with path.open("w", encoding="utf-8", newline="\n") as file:
            for quads in self._by_subject():
                lines = sorted({f"{quad} .\n" for quad in quads})
                file.writelines(lines)
                count += len(lines)
        return count

    def write_turtle(self, path: Path) -> None:
        """Write all statements as Turtle, without their graphs, sorted by subject, type first."""
        triples = (triple for quads in self._by_subject() for triple in sorted({q.triple for q in quads}, key=_turtle_order))
        ox.serialize(triples, path, ox.RdfFormat.TURTLE, prefixes=terms.PREFIXES)

    def _by_subject(self) -> Iterator[list[ox.Quad]]:
        """Give the quads subject by subject, sorted: sorting all of them at once would take much memory."""
        listed: dict[str, list[ox.Quad]] = defaultdict(list)
        for quad in self.quads:
            listed[str(quad.subject)].append(quad)
        for subject in sorted(listed):
            yield listed[subject]


def _turtle_order(triple: ox.Triple) -> tuple[bool, str, str]:
    return triple.predicate != _TYPE, str(triple.predicate), str(triple.object)


def vocabulary_quads(path: Path) -> list[ox.Quad]:
    """Parse the vocabulary.

    Raises:
        BuildError: the Turtle is not well-formed; the message says where.
    """
    try:
        triples = list(ox.parse(path.read_bytes(), ox.RdfFormat.TURTLE))
    except (SyntaxError, OSError, ValueError) as error:
        raise BuildError(f"{path.name}: {error}") from error
    return [ox.Quad(q.subject, q.predicate, q.object, VOCABULARY_GRAPH) for q in triples]


def table_quads(table: Table, rows: Iterable[Row]) -> Iterator[ox.Quad]:
    """Turn the rows of a table into quads of the table's graph, as its CSVW metadata says."""
    graph = ox.NamedNode(terms.GRAPH + table.name)
    filename = ox.Literal(table.path.name)
    for row in rows:
        for subject, prop, object_template in table.fixed:
            yield ox.Quad(_expand(subject, row), ox.NamedNode(prop), _expand(object_template, row), graph)
        node = _expand(table.about, row)
        yield ox.Quad(node, _FILE, filename, graph)
        yield ox.Quad(node, _LINE, ox.Literal(str(row.line), datatype=_INTEGER), graph)
        for column in table.columns:
            value = row.values[column.name]
            subject_node = node if column.subject == table.about else _expand(column.subject, row)
            for part in value if isinstance(value, list) else [value]:
                if part is not None and part != "":
                    yield ox.Quad(subject_node, ox.NamedNode(column.predicate), _term(column, part), graph)


def _expand(template: str, row: Row) -> ox.NamedNode:
    return ox.NamedNode(template.replace(f"{{{row.table.key}}}", row.id))


def _term(column: Column, value: str | Decimal | int) -> ox.NamedNode | ox.Literal:
    if column.value_prefix is not None:
        return ox.NamedNode(f"{column.value_prefix}{value}")
    if isinstance(value, Decimal):
        return ox.Literal(f"{value:f}", datatype=_DECIMAL)
    if isinstance(value, int):
        return ox.Literal(str(value), datatype=_INTEGER)
    if column.parser.lang not in (None, "und"):
        return ox.Literal(value, language=column.parser.lang)
    return ox.Literal(value)
