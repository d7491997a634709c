"""Each shape and each check query finds the fault it is there for, and no check can look at nothing in silence."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pyoxigraph as ox
import pytest

from kg import terms
from kg.checks import check_queries, check_shapes
from kg.graph import DERIVED_GRAPH, Dataset, table_quads, vocabulary_quads
from kg.problem import BuildError, Problem
from kg.tables import load_tables, read_rows
from tests.miniature import REPOSITORY, Miniature

SKOS = terms.PREFIXES["skos"]
PROV = terms.PREFIXES["prov"]
SHACL = "http://www.w3.org/ns/shacl#"
Quads = list[ox.Quad]
Change = Callable[[Quads], Quads]


def _quads(small: Miniature) -> Quads:
    quads = vocabulary_quads(small.root / "ontology" / "vocabulary.ttl")
    for table in load_tables(small.root / "ontology" / "facts"):
        rows, problems = read_rows(table)
        assert problems == []
        quads += table_quads(table, rows)
    return quads


def _dataset(quads: Quads) -> Dataset:
    dataset = Dataset()
    dataset.add(quads)
    return dataset


def _node(iri: str) -> ox.NamedNode:
    return ox.NamedNode(iri)


def _without(subject: str, prop: str) -> Change:
    """Take a property away from a node, as a table that lacks the column would."""

    def change(quads: Quads) -> Quads:
        kept = [q for q in quads if (q.subject.value, q.predicate.value) != (subject, prop)]
        assert len(kept) < len(quads)
        return kept

    return change


def _with(subject: str, prop: str, value: ox.NamedNode | ox.Literal, graph: ox.NamedNode = DERIVED_GRAPH) -> Change:
    return lambda quads: [*quads, ox.Quad(_node(subject), _node(prop), value, graph)]


# Shapes: what a row can get wrong although each of its cells is right

FIELDS = [
    # message begins; table, row, {column: value}; place and field that are told
    ("a conversion factor is above zero", "analytes", 2, {"factor_to_si": "0"}, "factorToSi"),
    ("a molar mass is above zero", "species", 2, {"molar_mass": "-39"}, "molarMass"),
    ("low is above high", "additive_effects", 2, {"low": "-50", "high": "-90"}, "low"),
    ("a concentration is not negative and low is not above high", "composition", 2, {"low": "3"}, "low"),
    ("a concentration is not negative and low is not above high", "composition", 2, {"low": "-1"}, "low"),
    ("a stability constant is given as its decimal logarithm", "binding", 2, {"log10_k": "1000000"}, "log10K"),
    ("a requirement that is not compensated says which way", "requirements", 2, {"direction": ""}, ""),
    ("a requirement that is not compensated says which way", "requirements", 2, {"mechanism": ""}, ""),
    ("a time limit is not negative", "stability", 2, {"limit": "-7"}, "limit"),
    ("the lower temperature is above the upper", "stability", 2, {"temperature_low": "9"}, "temperatureLow"),
    ("'stable for' and 'stable up to' need a figure and a unit", "stability", 2, {"limit": ""}, ""),
    ("'stable for' and 'stable up to' need a figure and a unit", "stability", 2, {"limit_unit": ""}, ""),
    ("low is above high", "reference_limits", 2, {"low": "6"}, "low"),
    ("a position counts from 1", "draw_order", 2, {"position": "0"}, "position"),
    ("the lower weight is above the upper", "volume_limits", 2, {"weight_low": "5"}, "weightLow"),
]


@pytest.mark.parametrize(("message", "table", "row", "values", "field"), FIELDS,
                         ids=[f"{table} {' '.join(f'{k}={v}' for k, v in values.items())}" for _, table, _, values, _ in FIELDS])
def test_a_shape_refuses_a_row_whose_cells_do_not_fit_each_other(
        message: str, table: str, row: int, values: dict[str, str], field: str, small_sources: Miniature, tmp_path: Path) -> None:
    for column, value in values.items():
        small_sources.break_field(table, row, column, value)
    with pytest.raises(BuildError) as refused:
        small_sources.build(tmp_path / "tubelore.sqlite")
    told = refused.value.problems
    assert [(p.where, p.row, p.field) for p in told] == [(f"{table}.csv", row, field)]
    assert message in told[0].what and told[0].fix
    assert not list(tmp_path.glob("tubelore*"))


GRAPH = [
    # message begins; change of the graph; file and row that are told. The tables refuse these before a shape sees them.
    ("the analyte needs exactly one label", _without(terms.ID + "potassium", SKOS + "prefLabel"), ("analytes.csv", 2)),
    ("the analyte needs exactly one label", _with(terms.ID + "potassium", SKOS + "prefLabel", ox.Literal("K", language="en")),
     ("analytes.csv", 2)),
    ("the analyte needs one discipline", _without(terms.ID + "potassium", terms.VOCAB + "discipline"), ("analytes.csv", 2)),
    ("a member of a group is an analyte", _with(terms.ID + "electrolytes", terms.VOCAB + "member", _node(terms.ID + "k2-edta")),
     ("analyte_groups.csv", 6)),
    ("a mechanism needs a definition", _without(terms.ID + "chelation", SKOS + "definition"), ("mechanisms.csv", 3)),
    ("a container holds additives", _with(terms.ID + "tube-plain", terms.VOCAB + "additive", _node(terms.ID + "serum")),
     ("containers.csv", 3)),
    ("an effect has one cause", _without(terms.ID + "ae-0001", terms.VOCAB + "cause"), ("additive_effects.csv", 2)),
    ("an effect has one cause", _with(terms.ID + "ae-0001", terms.VOCAB + "cause", _node(terms.ID + "paper-read")),
     ("additive_effects.csv", 2)),
    ("an effect has one analyte", _with(terms.ID + "ae-0001", terms.VOCAB + "analyte", _node(terms.ID + "alp")),
     ("additive_effects.csv", 2)),
    ("an effect has one direction", _without(terms.ID + "fe-0001", terms.VOCAB + "direction"), ("factor_effects.csv", 2)),
    ("an asserted effect needs evidence", _without(terms.ID + "ae-0002", terms.VOCAB + "evidence"), ("additive_effects.csv", 3)),
]


@pytest.mark.parametrize(("message", "change", "place"), GRAPH, ids=[f"{message}, {n}" for n, (message, _, _) in enumerate(GRAPH)])
def test_a_shape_refuses_a_node_that_the_tables_would_not_let_through(
        message: str, change: Change, place: tuple[str, int], small_sources: Miniature) -> None:
    problems, _, _ = check_shapes(_dataset(change(_quads(small_sources))), small_sources.root / "ontology" / "shapes.ttl")
    assert {(p.where, p.row) for p in problems} == {place}
    assert any(message in p.what for p in problems)


def test_the_unbroken_miniature_breaks_no_shape_and_no_check(small_sources: Miniature) -> None:
    dataset = _dataset(_quads(small_sources))
    problems, shapes, nodes = check_shapes(dataset, small_sources.root / "ontology" / "shapes.ttl")
    assert problems == [] and shapes >= 13 and nodes > 40
    assert check_queries(dataset, small_sources.root / "queries" / "checks") == []


def test_every_message_of_the_shapes_is_met_by_a_case_above() -> None:
    messages = {str(t.object.value) for t in ox.parse((REPOSITORY / "ontology" / "shapes.ttl").read_bytes(), ox.RdfFormat.TURTLE)
                if t.predicate.value == SHACL + "message"}
    tried = {message for message, *_ in FIELDS} | {message for message, *_ in GRAPH}
    assert len(messages) > 15
    assert {text for text in messages if not any(text.startswith(begin) for begin in tried)} == set()


@pytest.mark.parametrize(("old", "new", "says"), [
    ("sh:targetClass tl:Binding", "sh:targetClass tl:Bindign", "the shape Binding finds no Bindign"),
    ("sh:targetClass tl:Binding", "sh:targetclass tl:Binding", "sh:targetclass is not a word of SHACL"),
    ("sh:targetClass tl:Binding ;", "", "the shape Binding has no sh:targetClass"),
    ("sh:maxInclusive 60", "sh:maxInlcusive 60", "sh:maxInlcusive is not a word of SHACL"),
    ("sh:path tl:log10K", "sh:path tl:lgo10K", "tl:lgo10K is not a property of the vocabulary"),
])
def test_a_misspelt_shape_fails_the_build_instead_of_checking_nothing(
        old: str, new: str, says: str, small_sources: Miniature, tmp_path: Path) -> None:
    path = small_sources.root / "ontology" / "shapes.ttl"
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1
    path.write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(BuildError, match=says):
        small_sources.build(tmp_path / "tubelore.sqlite")


@pytest.mark.parametrize("text", ["", "@prefix sh: <http://www.w3.org/ns/shacl#> .\n"])
def test_a_file_without_shapes_fails_the_build(text: str, small_sources: Miniature, tmp_path: Path) -> None:
    (small_sources.root / "ontology" / "shapes.ttl").write_text(text, encoding="utf-8")
    with pytest.raises(BuildError, match="nothing would be checked"):
        small_sources.build(tmp_path / "tubelore.sqlite")


# Check queries

def _circle(quads: Quads) -> Quads:
    one, two = terms.ID + "made-up-1", terms.ID + "made-up-2"
    change = [*_with(one, PROV + "wasDerivedFrom", _node(two))(quads)]
    change = _with(two, PROV + "wasDerivedFrom", _node(one))(change)
    return _with(one, terms.VOCAB + "status", _node(terms.VOCAB + "status-derived"))(_proved(change, one))


def _proved(quads: Quads, conclusion: str) -> Quads:
    return _with(terms.PROOF + "made-up", terms.VOCAB + "concludes", _node(conclusion))(quads)


PLANTED: dict[str, tuple[list[tuple[str, int, str, str]], Change | None, tuple[str, int, str]]] = {
    "basis-promoted": ([("additive_effects", 3, "basis", "read")], None, ("additive_effects.csv", 3, "basis")),
    "broader-circular": ([("mechanisms", 2, "broader", "chelation"), ("mechanisms", 3, "broader", "chemical-mechanism")], None,
                         ("mechanisms.csv", 2, "broader")),
    "candidate-missing": ([("cause_shifts", 2, "cause", "no-candidate")], None, ("cause_shifts.csv", 2, "candidate")),
    "derived-without-proof": ([], _with(terms.ID + "made-up", terms.VOCAB + "status", _node(terms.VOCAB + "status-derived")),
                              ("made-up", 0, "status")),
    "direction-against-sign": ([("additive_effects", 2, "direction", "increase")], None, ("additive_effects.csv", 2, "direction")),
    "evidence-incomplete": ([], _without(terms.EVIDENCE + "ae-0001", terms.VOCAB + "basis"), ("additive_effects.csv", 2, "evidence")),
    "label-used-twice": ([("analytes", 6, "label", "Lactate")], None, ("analytes.csv", 6, "prefLabel")),
    "magnitude-without-unit": ([("additive_effects", 2, "unit", "")], None, ("additive_effects.csv", 2, "unit")),
    "practice-with-source": ([("additive_effects", 4, "basis", "practice")], None, ("additive_effects.csv", 4, "basis")),
    "proof-circular": ([], _circle, ("made-up-1", 0, "wasDerivedFrom")),
}


@pytest.mark.parametrize("name", sorted(path.stem for path in (REPOSITORY / "queries" / "checks").glob("*.rq")))
def test_a_check_query_finds_a_planted_fault_and_names_its_place(name: str, small_sources: Miniature) -> None:
    assert name in PLANTED, "plant a fault for this check"
    fields, change, place = PLANTED[name]
    for field in fields:
        small_sources.break_field(*field)
    quads = _quads(small_sources)
    folder = small_sources.root / "queries" / "checks"
    for path in folder.glob("*.rq"):
        if path.stem != name:
            path.unlink()
    problems = check_queries(_dataset(change(quads) if change else quads), folder)
    assert place in {(p.where, p.row, p.field) for p in problems}
    assert {p.where for p in problems} == {place[0]}


def test_an_error_of_a_check_query_stops_the_build_and_a_warning_does_not(small_sources: Miniature, tmp_path: Path) -> None:
    small_sources.break_field("additive_effects", 2, "direction", "increase")
    warned = small_sources.build(tmp_path / "one.sqlite").warnings
    assert [(p.where, p.row, p.severity) for p in warned] == [("additive_effects.csv", 2, "warning")]
    small_sources.break_field("additive_effects", 2, "unit", "")
    with pytest.raises(BuildError) as refused:
        small_sources.build(tmp_path / "two.sqlite")
    assert [problem.what for problem in refused.value.problems] == ["a size has no unit"]
    assert isinstance(refused.value.problems[0], Problem)
    assert not list(tmp_path.glob("two*"))


@pytest.mark.parametrize(("folder", "name", "text", "says"), [
    ("checks", "new.rq", "SELECT * { ?s ?p ?o }", "a check starts with"),
    ("checks", "new.rq", "# problem: p\n# solution: s\n# severity: fatal\nSELECT * { ?s ?p ?o }", "a check starts with"),
    ("checks", "new.rq", "# problem: p\n# solution: s\n# severity: error\nSELEKT", "new.rq: not valid SPARQL"),
    ("rules", "99-new.rq", "CONSTRUCT { ?s ?p ?o } WHERE { ?s ?p ?o }", "a rule starts with"),
    ("rules", "99-new.rq", "# title: t\n# says: s\nCONSTRUKT", "new: not valid SPARQL"),
    ("rules", "99-new.rq", "# title: t\n# says: s\nPREFIX tl: <https://w3id.org/tubelore/vocab#>\nCONSTRUCT { [] a tl:Effect ; "
     "tl:cause ?a } WHERE { ?a a tl:Additive }", "a conclusion has no premise"),
    ("rules", "99-new.rq", "# title: t\n# says: s\nPREFIX tl: <https://w3id.org/tubelore/vocab#>\nCONSTRUCT { [] a tl:Effect ; "
     "tl:cause ?a ; tl:premise1 ?a } WHERE { ?a a tl:Additive }", "a conclusion has no tl:mechanism"),
])
def test_a_query_that_is_not_one_stops_the_build_with_its_name(
        folder: str, name: str, text: str, says: str, small_sources: Miniature, tmp_path: Path) -> None:
    (small_sources.root / "queries" / folder / name).write_text(text, encoding="utf-8")
    with pytest.raises(BuildError, match=says):
        small_sources.build(tmp_path / "tubelore.sqlite")
    assert not list(tmp_path.glob("tubelore*"))


def test_vocabulary_that_is_not_turtle_stops_the_build_with_the_place(small_sources: Miniature, tmp_path: Path) -> None:
    path = small_sources.root / "ontology" / "vocabulary.ttl"
    path.write_text(path.read_text(encoding="utf-8") + "\ntl:broken a \n", encoding="utf-8")
    with pytest.raises(BuildError, match=r"vocabulary\.ttl: .*line"):
        small_sources.build(tmp_path / "tubelore.sqlite")
