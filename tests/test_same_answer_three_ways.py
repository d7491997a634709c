"""One question asked three ways: by SQL of the index, by SPARQL of the N-Quads, and by walking the tables by hand.

The third way knows neither SQLite nor RDF: it reads the CSV rows as plain dictionaries and, for what the rules derived, splits the
lines of the N-Quads file with a regular expression (N-Quads, W3C Recommendation 2014: one statement a line).
"""

from __future__ import annotations

import re
import sqlite3
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

import pyoxigraph as ox
import pytest

from kg.database import rows
from tests.on_paper import FACTS, ROOT, by_id, listed, table

ID = "https://w3id.org/tubelore/id/"
QUERIES = ROOT / "queries" / "questions"
Answers = set[tuple[str | float | None, ...]]


class ByHand:
    """The fact tables as dictionaries, with the derived statements read line by line."""

    _LINE = re.compile(r"<\S*[/#]([^\s/#>]+)> <\S*[/#]([^\s/#>]+)> <\S*/([^\s/>]+)> <https://w3id\.org/tubelore/graph/derived> \.$")

    def __init__(self, nquads: Path) -> None:
        derived: dict[str, dict[str, str]] = defaultdict(dict)
        with nquads.open(encoding="utf-8") as lines:
            for line in lines:
                found = self._LINE.match(line)
                if found:
                    subject, prop, value = found.groups()
                    derived[subject][prop] = value.removeprefix("vocab#")
        self.derived = derived
        self.above: dict[str, set[str]] = defaultdict(set)
        for path in FACTS.glob("*.csv"):
            for row in table(path.stem):
                if row.get("broader"):
                    self.above[row["id"]].add(row["broader"])
                for member in listed(row.get("members", "")):
                    self.above[member].add(row["id"])
        for node in derived.values():
            if node.get("verb") == "verb-belongs-to":
                self.above[node["agent"]].add(node["target"])

    def broader(self, concept: str) -> set[str]:
        """Return a concept and all that lies above it."""
        seen: set[str] = set()
        waiting = [concept]
        while waiting:
            one = waiting.pop()
            if one not in seen:
                seen.add(one)
                waiting += self.above.get(one, ())
        return seen

    def narrower(self, concept: str) -> set[str]:
        """Return a concept and all that lies below it."""
        return {one for one in [concept, *list(self.above)] if concept in self.broader(one)}

    def effects(self) -> Iterator[tuple[str, str, str, str, str | None]]:
        """Yield id, cause, analyte, direction and mechanism of every effect, published or derived."""
        for name, cause in (("additive_effects", "additive"), ("factor_effects", "factor")):
            for row in table(name):
                yield row["id"], row[cause], row["analyte"], row["direction"], row["mechanism"] or None
        for key, node in self.derived.items():
            if node.get("status") == "status-derived":
                yield key, node["cause"], node["analyte"], node["direction"].removeprefix("direction-"), node["mechanism"]


@pytest.fixture(scope="module")
def by_hand(database: Path) -> ByHand:
    return ByHand(database.with_suffix(".nq"))


@pytest.fixture(scope="module")
def store(database: Path) -> ox.Store:
    filled = ox.Store()
    filled.bulk_load(path=str(database.with_suffix(".nq")), format=ox.RdfFormat.N_QUADS)
    return filled


def _local(term: ox.NamedNode | ox.Literal | None) -> str | float | None:
    if isinstance(term, ox.NamedNode):
        name = re.split(r"[/#]", term.value)[-1]
        return re.sub(r"^(direction|usability|state|temperature|outcome|relation|verb|basis)-", "", name)
    if isinstance(term, ox.Literal):
        return float(term.value) if term.datatype.value.endswith(("#decimal", "#integer")) else term.value
    return None


def by_sparql(store: ox.Store, name: str, columns: str, **values: str) -> Answers:
    """Answer with ``queries/questions/NAME.rq``, its parameters bound to ids."""
    bound = {ox.Variable(key): ox.NamedNode(ID + value) for key, value in values.items()}
    found = store.query((QUERIES / f"{name}.rq").read_text(encoding="utf-8"), use_default_graph_as_union=True, substitutions=bound)
    assert isinstance(found, ox.QuerySolutions)
    return {tuple(_local(one[column]) for column in columns.split()) for one in found}


def by_sql(connection: sqlite3.Connection, name: str, columns: str, **values: str) -> Answers:
    """Answer with ``queries/questions/NAME.sql``."""
    return {tuple(row[column] for column in columns.split()) for row in rows(connection, name, **values)}


def _number(cell: str) -> float | None:
    return float(cell) if cell else None


def _agree(*answers: Answers) -> None:
    first, *others = answers
    assert first, "the question has no answer to compare"
    for other in others:
        assert other == first


EFFECT = "cause analyte direction mechanism"


@pytest.mark.parametrize("cause", ["k2-edta", "potassium-oxalate", "sodium-fluoride-potassium-oxalate", "haemolysis", "edta-carryover",
                                   "delayed-separation", "iv-saline-0.9", "heparin-unspecified-salt"])
def test_effects_of_a_cause(connection: sqlite3.Connection, store: ox.Store, by_hand: ByHand, cause: str) -> None:
    causes = by_hand.broader(cause) | by_hand.narrower(cause)
    _agree(by_sql(connection, "effects_of_cause", f"id {EFFECT}", cause=cause),
           by_sparql(store, "effects_of_cause", "fact of analyte direction mechanism", cause=cause),
           {effect for effect in by_hand.effects() if effect[1] in causes})


@pytest.mark.parametrize(("cause", "analyte"), [
    ("k2-edta", "calcium-total"), ("k2-edta-carryover", "potassium"), ("haemolysis", "ld"), ("lithium-heparin", "electrolytes"),
    ("sodium-citrate-3.2", "sodium"), ("ammonium-heparin", "ammonia"), ("sodium-fluoride-potassium-oxalate", "glucose"),
])
def test_effects_of_a_pair(connection: sqlite3.Connection, store: ox.Store, by_hand: ByHand, cause: str, analyte: str) -> None:
    causes = by_hand.broader(cause) | by_hand.narrower(cause)
    analytes = by_hand.broader(analyte) | by_hand.narrower(analyte)
    _agree(by_sql(connection, "effects_of_pair", f"id {EFFECT}", cause=cause, analyte=analyte),
           by_sparql(store, "effects_of_pair", "fact of on direction mechanism", cause=cause, analyte=analyte),
           {effect for effect in by_hand.effects() if effect[1] in causes and effect[2] in analytes})


@pytest.mark.parametrize("analyte", ["potassium", "glucose", "aptt", "electrolytes", "urine-ph"])
def test_effects_on_an_analyte(connection: sqlite3.Connection, store: ox.Store, by_hand: ByHand, analyte: str) -> None:
    analytes = by_hand.broader(analyte) | by_hand.narrower(analyte)
    _agree(by_sql(connection, "effects_on_analyte", f"id {EFFECT}", analyte=analyte),
           by_sparql(store, "effects_on_analyte", "fact cause on direction mechanism", analyte=analyte),
           {effect for effect in by_hand.effects() if effect[2] in analytes})


@pytest.mark.parametrize("analyte", ["glucose", "ammonia", "full-blood-count", "urine-dipstick", "urine-ph", "aptt"])
def test_suitability(connection: sqlite3.Connection, store: ox.Store, by_hand: ByHand, analyte: str) -> None:
    wanted = by_hand.broader(analyte)
    _agree(by_sql(connection, "suitability", "id analyte material usability preferred", analyte=analyte),
           by_sparql(store, "suitability", "fact on material usability preferred", analyte=analyte),
           {(r["id"], r["analyte"], r["material"], r["usability"], r["preferred"] or None) for r in table("suitability")
            if r["analyte"] in wanted})


@pytest.mark.parametrize("analyte", ["potassium", "glucose", "lactate", "haemoglobin", "urine-sediment"])
def test_stability(connection: sqlite3.Connection, store: ox.Store, by_hand: ByHand, analyte: str) -> None:
    wanted = by_hand.broader(analyte)
    _agree(by_sql(connection, "stability", "id analyte material state temperature outcome limit limit_unit", analyte=analyte),
           by_sparql(store, "stability", "fact on material state temperature outcome limit unit", analyte=analyte),
           {(r["id"], r["analyte"], r["material"], r["state"], r["temperature"], r["outcome"], _number(r["limit"]), r["limit_unit"] or None)
            for r in table("stability") if r["analyte"] in wanted})


@pytest.mark.parametrize("analyte", ["lactate", "ammonia", "urine-culture", "full-blood-count", "transfusion-tests"])
def test_handling(connection: sqlite3.Connection, store: ox.Store, by_hand: ByHand, analyte: str) -> None:
    wanted = by_hand.broader(analyte)
    _agree(by_sql(connection, "handling", "id analyte requirement value unit consequence", analyte=analyte),
           by_sparql(store, "handling", "fact on requirement value unit consequence", analyte=analyte),
           {(r["id"], r["analyte"], r["requirement"], _number(r["value"]), r["unit"] or None, r["consequence"] or None)
            for r in table("handling") if r["analyte"] in wanted})


@pytest.mark.parametrize("factor", ["k2-edta-carryover", "haemolysis", "iv-saline-0.9", "delayed-separation", "boric-acid-urine"])
def test_actions_of_a_factor(connection: sqlite3.Connection, store: ox.Store, by_hand: ByHand, factor: str) -> None:
    wanted = by_hand.broader(factor)
    _agree(by_sql(connection, "actions_of_factor", "id factor kind rank statement", factor=factor),
           by_sparql(store, "actions_of_factor", "fact of kind rank statement", factor=factor),
           {(r["id"], r["factor"], r["kind"], _number(r["rank"]), r["statement"]) for r in table("actions") if r["factor"] in wanted})


@pytest.mark.parametrize("guideline", sorted(by_id("guidelines")))
def test_draw_order(connection: sqlite3.Connection, store: ox.Store, guideline: str) -> None:
    by_index: Answers = {(row["id"], row["position"], row["step"], additive) for row in rows(connection, "draw_order", guideline=guideline)
                         for additive in listed(row["additives"] or "") or [None]}
    _agree(by_index, by_sparql(store, "draw_order", "fact position step additive", guideline=guideline),
           {(r["id"], int(r["position"]), r["step"], additive) for r in table("draw_order") if r["guideline"] == guideline
            for additive in listed(r["additives"]) or [None]})


@pytest.mark.parametrize("additive", ["k2-edta", "sodium-citrate-3.2", "sodium-polyanethole-sulfonate", "lithium-heparin"])
def test_composition(connection: sqlite3.Connection, store: ox.Store, by_hand: ByHand, additive: str) -> None:
    stated: Answers = {(r["id"], r["relation"], r["species"]) for r in table("composition") if r["additive"] == additive}
    derived: Answers = {(key, node["verb"].removeprefix("verb-"), node["target"]) for key, node in by_hand.derived.items()
                        if node.get("agent") == additive}
    sparql = by_sparql(store, "composition", "fact does to", additive=additive)
    _agree(sparql, stated | derived)
    assert by_sql(connection, "composition", "id", additive=additive) == {(answer[0],) for answer in sparql}


@pytest.mark.parametrize("additive", ["k2-edta", "sodium-citrate-3.2", "lithium-heparin", "sodium-fluoride-potassium-oxalate"])
def test_specifications(connection: sqlite3.Connection, store: ox.Store, by_hand: ByHand, additive: str) -> None:
    wanted = by_hand.broader(additive)
    _agree(by_sql(connection, "specifications", "id additive quantity low high unit", additive=additive),
           by_sparql(store, "specifications", "fact of quantity low high unit", additive=additive),
           {(r["id"], r["additive"], r["quantity"], _number(r["low"]), _number(r["high"]), r["unit"] or None)
            for r in table("tube_specifications") if r["additive"] in wanted})


@pytest.mark.parametrize("source", ["lima-oliveira-2014", "minteq-v4", "iso-6710-2017", "simundic-2018", "tate-2016"])
def test_facts_of_a_source(connection: sqlite3.Connection, store: ox.Store, source: str) -> None:
    by_index: Answers = {(row["id"], f"{row['table_name']}.csv", row["row"], row["basis"])
                         for row in rows(connection, "facts_of_source", source=source)}
    on_paper: Answers = set()
    for path in FACTS.glob("*.csv"):
        on_paper |= {(row["id"], path.name, line, row["basis"]) for line, row in enumerate(table(path.stem), 2)
                     if row.get("source") == source}
    _agree(by_index, by_sparql(store, "facts_of_source", "fact file row basis", source=source), on_paper)


@pytest.mark.parametrize("conclusion", ["k2-edta.cation-contamination.potassium.increase", "k2-edta.binds-firmly.calcium-ion",
                                        "haemolysis.haemolysis-release.potassium.increase",
                                        "k2-edta-carryover.cation-contamination.potassium.increase"])
def test_proofs(connection: sqlite3.Connection, store: ox.Store, by_hand: ByHand, conclusion: str) -> None:
    by_index: Answers = {(row["proof"], row["rule"], f"premise{row['position']}", row["fact"])
                         for row in rows(connection, "proofs", conclusion=conclusion)}
    _agree(by_index, by_sparql(store, "proofs", "proof rule premise fact", conclusion=conclusion),
           {(proof, node["rule"], prop, fact) for proof, node in by_hand.derived.items() if node.get("concludes") == conclusion
            for prop, fact in node.items() if prop.startswith("premise")})


def test_every_sparql_question_says_what_it_answers_as_its_sql_twin_does() -> None:
    found = sorted(QUERIES.glob("*.rq"))
    assert len(found) >= 8
    for path in found:
        lines = path.read_text(encoding="utf-8").splitlines()
        twin = path.with_suffix(".sql").read_text(encoding="utf-8").splitlines()
        assert lines[0].removeprefix("# ") == twin[0].removeprefix("-- "), path.name
        assert re.sub(r"\(\w+\)", "", lines[1].removeprefix("# ")) == re.sub(r"\(\w+\)", "", twin[1].removeprefix("-- ")), path.name
