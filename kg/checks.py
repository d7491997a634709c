"""Checks of the whole graph: SHACL shapes, and queries that must return no row.

Every check gives the same record, a ``Problem`` with file and row.
"""

from __future__ import annotations

import re
from collections.abc import Collection
from pathlib import Path
from typing import TYPE_CHECKING

from kg import terms
from kg.graph import Dataset
from kg.problem import ERROR, WARNING, BuildError, Problem

if TYPE_CHECKING:
    import rdflib


def check_shapes(dataset: Dataset, shapes_path: Path) -> tuple[list[Problem], int, int]:
    """Validate the asserted facts against the SHACL shapes.

    Returns:
        the problems, the number of shapes, and the number of nodes that were looked at.

    Raises:
        BuildError: the shapes file is empty, a word in it is misspelt, or a shape has no node to look
            at; a check that looks at nothing would pass in silence.
    """
    import pyshacl
    import rdflib

    shapes = rdflib.Graph().parse(shapes_path, format="turtle")
    shacl = rdflib.Namespace("http://www.w3.org/ns/shacl#")
    targets = list(shapes.subject_objects(shacl.targetClass))
    if not targets:
        raise BuildError(f"{shapes_path.name}: no shape has a target class, so nothing would be checked")
    paths = {str(o) for p in (shacl.path, shacl.lessThanOrEquals) for o in shapes.objects(None, p)}
    data = _as_rdflib(dataset, paths | _ALWAYS)
    misspelt = _misspelt(shapes, data, paths)
    if misspelt:
        raise BuildError(f"{shapes_path.name}: {misspelt}")
    focus = set()
    for shape, target in targets:
        nodes = set(data.subjects(rdflib.RDF.type, target))
        if not nodes:
            raise BuildError(f"{shapes_path.name}: the shape {terms.local(str(shape))} finds no {terms.local(str(target))}")
        focus |= nodes
    _, report, _ = pyshacl.validate(data, shacl_graph=shapes, inference="none", advanced=False)
    assert isinstance(report, rdflib.Graph)
    problems = []
    results = list(report.subjects(rdflib.RDF.type, shacl.ValidationResult))
    places = _places(dataset) if results else {}
    for result in results:
        node = report.value(result, shacl.focusNode)
        path = report.value(result, shacl.resultPath)
        value = report.value(result, shacl.value)
        severity = WARNING if report.value(result, shacl.resultSeverity) == shacl.Warning else ERROR
        message = str(report.value(result, shacl.resultMessage))
        what, _, fix = message.partition("; ")
        shown = f"'{terms.local(str(value))}': " if value is not None and value != node else ""
        file, row = _place(places, node)
        problems.append(Problem(file, row, terms.local(str(path)) if path else "", shown + what, fix, severity))
    return sorted(set(problems)), len(targets), len(focus)


def _misspelt(shapes: rdflib.Graph, data: rdflib.Graph, paths: Collection[str]) -> str:
    """Say which word keeps a shape from checking anything; SHACL itself passes over what it does not know."""
    import rdflib
    from rdflib import RDF, SH

    for predicate in sorted({str(p) for p in shapes.predicates()}):
        if predicate.startswith(str(SH)) and rdflib.URIRef(predicate) not in SH:
            return f"sh:{terms.local(predicate)} is not a word of SHACL"
    for shape in sorted(shapes.subjects(RDF.type, SH.NodeShape), key=str):
        if (shape, SH.targetClass, None) not in shapes:
            return f"the shape {terms.local(str(shape))} has no sh:targetClass, so it would check nothing"
    for path in sorted(paths):
        if path.startswith(terms.VOCAB) and (rdflib.URIRef(path), RDF.type, RDF.Property) not in data:
            return f"tl:{terms.local(path)} is not a property of the vocabulary"
    return ""


_ALWAYS = {terms.RDF_TYPE, terms.PREFIXES["rdfs"] + "subClassOf"}
_PLACE = (terms.VOCAB + "file", terms.VOCAB + "row")


def _as_rdflib(dataset: Dataset, properties: Collection[str]) -> rdflib.Graph:
    """Copy the statements that the shapes look at; rdflib is slow, and the rest cannot fail them."""
    import rdflib

    made: dict[object, object] = {}

    def term(value: object) -> object:
        if value not in made:
            if hasattr(value, "datatype"):
                language = value.language  # type: ignore[attr-defined]
                datatype = None if language else rdflib.URIRef(value.datatype.value)
                made[value] = rdflib.Literal(value.value, lang=language, datatype=datatype)  # type: ignore[attr-defined]
            else:
                made[value] = rdflib.URIRef(value.value)  # type: ignore[attr-defined]
        return made[value]

    graph = rdflib.Graph()
    for quad in dataset.quads:
        if quad.predicate.value in properties:
            graph.add((term(quad.subject), term(quad.predicate), term(quad.object)))  # type: ignore[arg-type]
    return graph


def _places(dataset: Dataset) -> dict[str, dict[str, str]]:
    """Return the file and row of every node; they are not copied for the shapes, which do not look at them."""
    found: dict[str, dict[str, str]] = {}
    for quad in dataset.quads:
        if quad.predicate.value in _PLACE:
            found.setdefault(quad.subject.value, {})[quad.predicate.value] = quad.object.value  # type: ignore[union-attr]
    return found


def _place(places: dict[str, dict[str, str]], node: object) -> tuple[str, int]:
    file, row = (places.get(str(node).replace(terms.EVIDENCE, terms.ID), {}).get(name, "") for name in _PLACE)
    return file or terms.local(str(node)), int(row or 0)


def check_queries(dataset: Dataset, folder: Path) -> list[Problem]:
    """Run every query of a folder; each row it returns is a problem.

    A query states its ``# problem:``, ``# solution:`` and ``# severity:`` and returns ``?entity``,
    ``?property`` and ``?value``.
    """
    problems = []
    for path in sorted(folder.glob("*.rq")):
        text = path.read_text(encoding="utf-8")
        header = dict(re.findall(r"^# (problem|solution|severity): *(.+)$", text, re.MULTILINE))
        if set(header) != {"problem", "solution", "severity"} or header["severity"] not in (ERROR, WARNING):
            raise BuildError(f"{path.name}: a check starts with '# problem:', '# solution:' and '# severity: error|warning'")
        try:
            found = list(dataset.query(text))
        except SyntaxError as error:
            raise BuildError(f"{path.name}: not valid SPARQL ({error})") from error
        for solution in found:
            entity, prop, value = (solution[name] for name in ("entity", "property", "value"))
            file, row = _where(dataset, entity.value)
            shown = f" ({terms.local(value.value)})" if value is not None else ""
            problems.append(Problem(file, row, terms.local(prop.value) if prop is not None else "",
                                    header["problem"] + shown, header["solution"], header["severity"]))
    return problems


def _where(dataset: Dataset, node: str) -> tuple[str, int]:
    subject = node.replace(terms.EVIDENCE, terms.ID)
    query = f"SELECT ?f ?r {{ <{subject}> <{terms.VOCAB}file> ?f ; <{terms.VOCAB}row> ?r }}"
    for solution in dataset.query(query):
        return str(solution["f"].value), int(solution["r"].value)
    return terms.local(node), 0
