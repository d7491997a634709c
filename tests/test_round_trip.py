"""From table to RDF and back: nothing of a cell is lost, and every property and word that is used is defined."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import csvw
import pyoxigraph as ox
import pytest

from tests.miniature import REPOSITORY, Miniature

VOCAB = "https://w3id.org/tubelore/vocab#"
GRAPH = "https://w3id.org/tubelore/graph/"
XSD = "http://www.w3.org/2001/XMLSchema#"
FOLDERS = (REPOSITORY / "ontology" / "facts", REPOSITORY / "ontology" / "demonstration")
METADATA = sorted(path for folder in FOLDERS for path in folder.glob("*.csv-metadata.json"))
Statement = tuple[str, str, str, str, str]


def _described(metadata: Path) -> dict[str, Any]:
    described: dict[str, Any] = json.loads(metadata.read_text(encoding="utf-8"))
    return described


def _columns(metadata: Path) -> list[dict[str, Any]]:
    columns: list[dict[str, Any]] = _described(metadata)["tableSchema"]["columns"]
    return columns


def _defined() -> set[str]:
    path = REPOSITORY / "ontology" / "vocabulary.ttl"
    return {triple.subject.value for triple in ox.parse(path.read_bytes(), ox.RdfFormat.TURTLE)
            if triple.predicate.value == "http://www.w3.org/1999/02/22-rdf-syntax-ns#type"}


@pytest.mark.parametrize("metadata", METADATA, ids=lambda path: path.name.removesuffix(".csv-metadata.json"))
def test_the_metadata_of_a_table_is_valid_csvw_and_fits_its_file(metadata: Path) -> None:
    table = csvw.Table.from_file(metadata)
    assert table.check_primary_key()
    with metadata.with_name(str(table.url)).open(encoding="utf-8", newline="") as file:
        header = next(csv.reader(file))
    assert [column["name"] for column in _columns(metadata) if not column.get("virtual")] == header
    assert all(column["name"] == column["titles"] for column in _columns(metadata) if not column.get("virtual"))
    for key in _described(metadata)["tableSchema"].get("foreignKeys", ()):
        assert key["columnReference"] in header
        assert any((folder / key["reference"]["resource"]).exists() for folder in FOLDERS)


@pytest.mark.parametrize("metadata", METADATA, ids=lambda path: path.name.removesuffix(".csv-metadata.json"))
def test_every_property_class_and_word_of_the_metadata_is_in_the_vocabulary(metadata: Path) -> None:
    used = set()
    for column in _columns(metadata):
        used.add(column["propertyUrl"])
        value, name = column.get("valueUrl", ""), column["name"]
        if value.startswith(VOCAB) and f"{{{name}}}" in value:
            used |= {value.replace(f"{{{name}}}", word) for word in column["datatype"]["format"].split("|")}
        else:
            used.add(value)
    ours = {iri for iri in used if iri.startswith(VOCAB)}
    assert ours
    assert ours - _defined() == set()


def test_no_property_of_the_vocabulary_is_without_label_and_definition() -> None:
    triples = list(ox.parse((REPOSITORY / "ontology" / "vocabulary.ttl").read_bytes(), ox.RdfFormat.TURTLE))
    said = {(t.subject.value, t.predicate.value.rpartition("#")[2]) for t in triples}
    properties = {t.subject.value for t in triples if getattr(t.object, "value", "").endswith("#Property")}
    assert len(properties) > 50
    assert {iri for iri in properties if (iri, "label") not in said or (iri, "definition") not in said} == set()


def _expected(metadata: Path) -> Iterator[Statement]:
    """What a table says, worked out from the metadata and the raw cells alone."""
    described = _described(metadata)
    about = described["tableSchema"]["aboutUrl"]
    with metadata.with_name(described["url"]).open(encoding="utf-8", newline="") as file:
        reader = csv.DictReader(file)
        for row in reader:
            def fill(template: str, row: dict[str, str] = row) -> str:
                return template.replace("{id}", row["id"])

            yield fill(about), VOCAB + "file", described["url"], XSD + "string", ""
            yield fill(about), VOCAB + "row", str(reader.line_num), XSD + "integer", ""
            for column in described["tableSchema"]["columns"]:
                subject = fill(column.get("aboutUrl", about))
                if column.get("virtual"):
                    yield subject, column["propertyUrl"], fill(column["valueUrl"]), "", ""
                    continue
                cell = row[column["name"]]
                for part in cell.split(column["separator"]) if "separator" in column else [cell]:
                    if part:
                        yield subject, column["propertyUrl"], *_object(column, part)


def _object(column: dict[str, Any], part: str) -> tuple[str, str, str]:
    if "valueUrl" in column:
        return column["valueUrl"].replace(f"{{{column['name']}}}", part), "", ""
    if "lang" in column:
        return part, "http://www.w3.org/1999/02/22-rdf-syntax-ns#langString", column["lang"]
    datatype = column.get("datatype", "string")
    return part, XSD + (datatype if isinstance(datatype, str) else datatype["base"]), ""


def _parsed(nquads: Path) -> dict[str, set[Statement]]:
    found: dict[str, set[Statement]] = {}
    for quad in ox.parse(path=str(nquads), format=ox.RdfFormat.N_QUADS):
        thing = quad.object
        kind = (thing.datatype.value, thing.language or "") if isinstance(thing, ox.Literal) else ("", "")
        found.setdefault(quad.graph_name.value, set()).add((quad.subject.value, quad.predicate.value, thing.value, *kind))
    return found


def test_every_cell_of_the_shipped_tables_is_in_the_nquads_and_nothing_else_is(database: Path) -> None:
    found = _parsed(database.with_suffix(".nq"))
    cells = 0
    for metadata in sorted(FOLDERS[0].glob("*.csv-metadata.json")):
        name = metadata.name.removesuffix(".csv-metadata.json")
        expected = set(_expected(metadata))
        cells += len(expected)
        assert found.pop(GRAPH + name, set()) == expected, name
    assert cells > 100_000
    assert set(found) == {GRAPH + "vocabulary", GRAPH + "derived"}


def test_numbers_keep_their_digits_and_texts_their_marks_in_the_nquads_text(small_sources: Miniature, tmp_path: Path) -> None:
    label = 'Zürich "5 µmol/L" \\ αβ — 血'
    small_sources.break_field("species", 7, "label", label)
    small_sources.break_field("species", 6, "molar_mass", "288.2100")
    small_sources.build(tmp_path / "tubelore.sqlite")
    text = (tmp_path / "tubelore.nq").read_text(encoding="utf-8")
    for number in ("1.50", "2.200", "0.123456789", "288.2100"):
        assert f'"{number}"^^<{XSD}decimal>' in text
    found = _parsed(tmp_path / "tubelore.nq")[GRAPH + "species"]
    assert label in {value for _, prop, value, _, _ in found if prop.endswith("prefLabel")}
    for metadata in (small_sources.root / "ontology" / "facts").glob("*.csv-metadata.json"):
        name = metadata.name.removesuffix(".csv-metadata.json")
        assert _parsed(tmp_path / "tubelore.nq").get(GRAPH + name, set()) == set(_expected(metadata)), name


def test_turtle_and_nquads_say_the_same(database: Path) -> None:
    triples = {(str(q.subject), str(q.predicate), str(q.object))
               for q in ox.parse(path=str(database.with_suffix(".nq")), format=ox.RdfFormat.N_QUADS)}
    turtle = {(str(t.subject), str(t.predicate), str(t.object))
              for t in ox.parse(path=str(database.with_suffix(".ttl")), format=ox.RdfFormat.TURTLE)}
    assert turtle == triples


def test_every_node_of_the_facts_leads_back_to_its_file_and_row(database: Path) -> None:
    for graph, statements in _parsed(database.with_suffix(".nq")).items():
        if graph in (GRAPH + "vocabulary", GRAPH + "derived"):
            continue
        nodes = {subject.replace("/evidence/", "/id/") for subject, *_ in statements}
        placed = {subject for subject, prop, *_ in statements if prop == VOCAB + "row"}
        assert nodes == placed, graph
