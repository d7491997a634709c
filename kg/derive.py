"""Derivation: rules turn facts into effects and keep the proof of each.

A rule is a SPARQL CONSTRUCT query in ``queries/rules``. It builds one blank node for each conclusion
and names the premises in order (``tl:premise1``, ``tl:premise2`` ...). This module gives the
conclusion an id made of its roles, so that a rebuild gives the same id, and turns the premises into a
proof node. One conclusion may have several proofs. A derived membership is also stated directly
(``tl:memberOf``), so that later rules can ask for it in one step.
"""

from __future__ import annotations

import hashlib
import re
from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import pyoxigraph as ox

from kg import terms
from kg.graph import DERIVED_GRAPH, Dataset
from kg.problem import BuildError

_ROLES = {
    terms.VOCAB + "Effect": ("cause", "mechanism", "analyte", "method", "direction"),
    terms.VOCAB + "Interaction": ("agent", "verb", "target"),
}
_TYPE = ox.NamedNode(terms.RDF_TYPE)
Term = ox.NamedNode | ox.BlankNode | ox.Literal | ox.Triple
_PROV = "http://www.w3.org/ns/prov#"
_VERB, _AGENT, _TARGET = (terms.VOCAB + role for role in ("verb", "agent", "target"))
_BELONGS = ox.NamedNode(terms.VOCAB + "verb-belongs-to")
_MEMBER_OF = ox.NamedNode(terms.VOCAB + "memberOf")
_PREMISE = re.compile(re.escape(terms.VOCAB) + r"premise(\d+)$")


@dataclass(frozen=True)
class Rule:
    """One rule file: its id, what it says, and the query."""

    id: str
    title: str
    says: str
    sparql: str

    @property
    def node(self) -> ox.NamedNode:
        """The IRI of the rule."""
        return ox.NamedNode(terms.RULE + self.id)


def load_rules(folder: Path) -> list[Rule]:
    """Read the rules of a folder, in the order of their file names.

    Raises:
        BuildError: a rule lacks its ``# title:`` or ``# says:`` line.
    """
    rules = []
    for path in sorted(folder.glob("*.rq")):
        text = path.read_text(encoding="utf-8")
        header = dict(re.findall(r"^# (title|says): *(.+)$", text, re.MULTILINE))
        if set(header) != {"title", "says"}:
            raise BuildError(f"{path.name}: a rule starts with the lines '# title: ...' and '# says: ...'")
        rules.append(Rule(path.stem.split("-", 1)[1], header["title"], header["says"], text))
    return rules


def derive(dataset: Dataset, rules: list[Rule]) -> dict[str, int]:
    """Run each rule once, in order, and add its conclusions and proofs to the dataset.

    Args:
        dataset: the facts; the derived graph is added to it.
        rules: the rules, sorted so that a rule comes after those whose conclusions it uses.

    Returns:
        how many proofs each rule gave.

    Raises:
        BuildError: a rule is not valid SPARQL, or a conclusion lacks a role or a premise.
    """
    counts = {}
    for rule in rules:
        try:
            quads = set(_conclusions(rule, dataset))
        except SyntaxError as error:
            raise BuildError(f"queries/rules/{rule.id}: not valid SPARQL ({error})") from error
        ordered = sorted(quads, key=str)
        dataset.add(ordered)
        dataset.add(
            ox.Quad(rule.node, ox.NamedNode(prop), value, DERIVED_GRAPH)
            for prop, value in (
                (terms.RDF_TYPE, ox.NamedNode(terms.VOCAB + "Rule")),
                (terms.PREFIXES["skos"] + "prefLabel", ox.Literal(rule.title, language="en")),
                (terms.PREFIXES["skos"] + "definition", ox.Literal(rule.says, language="en")),
            )
        )
        counts[rule.id] = sum(1 for quad in ordered if quad.predicate.value == terms.VOCAB + "rule")
    return counts


def _conclusions(rule: Rule, dataset: Dataset) -> Iterator[ox.Quad]:
    by_node: dict[str, list[ox.Triple]] = defaultdict(list)
    for triple in dataset.construct(rule.sparql):
        by_node[str(triple.subject)].append(triple)
    for triples in by_node.values():
        values = {triple.predicate.value: triple.object for triple in triples if triple.predicate != _TYPE}
        kind = next((str(t.object.value) for t in triples if t.predicate == _TYPE), "")  # type: ignore[union-attr]
        if kind not in _ROLES:
            raise BuildError(f"queries/rules/{rule.id}: a conclusion must be a tl:Effect or a tl:Interaction")
        premises = sorted(
            ((int(match.group(1)), value) for prop, value in values.items() if (match := _PREMISE.match(prop))),
            key=lambda premise: premise[0],
        )
        if not premises:
            raise BuildError(f"queries/rules/{rule.id}: a conclusion has no premise")
        node = ox.NamedNode(terms.ID + _conclusion_id(rule, kind, values))
        yield ox.Quad(node, _TYPE, ox.NamedNode(kind), DERIVED_GRAPH)
        for prop, value in values.items():
            if not _PREMISE.match(prop):
                yield ox.Quad(node, ox.NamedNode(prop), value, DERIVED_GRAPH)
        if values.get(_VERB) == _BELONGS:
            yield ox.Quad(values[_AGENT], _MEMBER_OF, values[_TARGET], DERIVED_GRAPH)  # type: ignore[arg-type]
        if kind.endswith("Effect"):
            status = ox.NamedNode(terms.VOCAB + "status-derived")
            yield ox.Quad(node, ox.NamedNode(terms.VOCAB + "status"), status, DERIVED_GRAPH)
        yield from _proof(rule, node, [value for _, value in premises if isinstance(value, ox.NamedNode)])


def _conclusion_id(rule: Rule, kind: str, values: Mapping[str, Term]) -> str:
    parts = []
    for role in _ROLES[kind]:
        value = values.get(terms.VOCAB + role)
        if value is None and role != "method":
            raise BuildError(f"queries/rules/{rule.id}: a conclusion has no tl:{role}")
        if value is not None:
            assert isinstance(value, ox.NamedNode)
            parts.append(terms.local(value.value).removeprefix("direction-").removeprefix("verb-"))
    return ".".join(parts)


def _proof(rule: Rule, conclusion: ox.NamedNode, premises: list[ox.NamedNode]) -> Iterator[ox.Quad]:
    key = "|".join([rule.id, conclusion.value, *(p.value for p in premises)])
    proof = ox.NamedNode(terms.PROOF + hashlib.sha256(key.encode()).hexdigest()[:16])
    yield ox.Quad(proof, _TYPE, ox.NamedNode(terms.VOCAB + "Proof"), DERIVED_GRAPH)
    yield ox.Quad(proof, ox.NamedNode(terms.VOCAB + "concludes"), conclusion, DERIVED_GRAPH)
    yield ox.Quad(proof, ox.NamedNode(terms.VOCAB + "rule"), rule.node, DERIVED_GRAPH)
    for position, premise in enumerate(premises, 1):
        yield ox.Quad(proof, ox.NamedNode(f"{terms.VOCAB}premise{position}"), premise, DERIVED_GRAPH)
        yield ox.Quad(conclusion, ox.NamedNode(_PROV + "wasDerivedFrom"), premise, DERIVED_GRAPH)
