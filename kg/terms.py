"""The project's IRIs: the only place where they are spelt."""

from __future__ import annotations

BASE = "https://w3id.org/tubelore/"
VOCAB = BASE + "vocab#"
ID = BASE + "id/"
EVIDENCE = BASE + "evidence/"
GRAPH = BASE + "graph/"
RULE = BASE + "rule/"
PROOF = BASE + "proof/"

RDF_TYPE = "http://www.w3.org/1999/02/22-rdf-syntax-ns#type"
XSD = "http://www.w3.org/2001/XMLSchema#"

PREFIXES = {
    "tl": VOCAB,
    "id": ID,
    "ev": EVIDENCE,
    "rule": RULE,
    "proof": PROOF,
    "skos": "http://www.w3.org/2004/02/skos/core#",
    "prov": "http://www.w3.org/ns/prov#",
    "dcterms": "http://purl.org/dc/terms/",
    "rdfs": "http://www.w3.org/2000/01/rdf-schema#",
    "owl": "http://www.w3.org/2002/07/owl#",
    "xsd": XSD,
}


def local(iri: str) -> str:
    """Return the last part of one of the project's IRIs (``.../id/k2-edta`` -> ``k2-edta``)."""
    return iri.rsplit("#", 1)[-1] if "#" in iri else iri.rsplit("/", 1)[-1]
