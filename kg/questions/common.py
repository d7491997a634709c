"""What several questions share: names, proofs and the wording of effects."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from typing import Any

from kg import names
from kg.answer import Item, Link
from kg.database import rows
from kg.wording import inside, magnitude

Row = sqlite3.Row

DIRECTIONS = {
    "increase": "rises",
    "decrease": "falls",
    "no-effect": "no change found",
    "variable": "may rise or fall",
    "unmeasurable": "cannot be measured",
}
USABILITIES = {"suitable": "suitable", "limited": "suitable within limits", "unsuitable": "unsuitable",
               "not-known": "not known"}
_BASIS_RANK = {"read": 0, "abstract": 1, "practice": 2, "memory": 3}
MOVES = ("increase", "decrease", "unmeasurable", "variable")


def understood(*found: names.Name) -> str:
    """Say how names were understood where they were not typed as they are."""
    return "; ".join(name.said for name in found if name.said)


def analytes_of(connection: sqlite3.Connection, what: names.Name) -> list[tuple[str, str]]:
    """Return id and label of the analytes that a name stands for: itself, or those of a test."""
    if what.kind == "Test":
        return [(row["id"], row["label"]) for row in rows(connection, "analytes_of_test", test=what.id)]
    return [(what.id, what.label)]


def causes_of(connection: sqlite3.Connection, cause: names.Name) -> list[tuple[str, str]]:
    """Return id and label of the additives or factors that a name stands for.

    A container stands for its additives, a specimen material for the additive that it holds.
    """
    column = {"Container": "additives", "SpecimenMaterial": "additive"}.get(cause.kind)
    if column is None:
        return [(cause.id, cause.label)]
    table = "containers" if cause.kind == "Container" else "materials"
    held = connection.execute(f"SELECT {column} FROM {table} WHERE id = ?", (cause.id,)).fetchone()[0]
    ids = held.split(";") if held else []
    marks = ",".join("?" * len(ids))
    return [(r["id"], r["label"]) for r in connection.execute(f"SELECT id, label FROM concept WHERE id IN ({marks}) ORDER BY id", ids)]


def broader(connection: sqlite3.Connection, concept: str) -> set[str]:
    """Return a concept with all that are broader: more general ones, and groups it belongs to."""
    return {r["broader"] for r in connection.execute("SELECT broader FROM closure WHERE narrower = ?", (concept,))}


def narrower(connection: sqlite3.Connection, concept: str) -> set[str]:
    """Return a concept with all that are narrower: more special ones, and members."""
    return {r["narrower"] for r in connection.execute("SELECT narrower FROM closure WHERE broader = ?", (concept,))}


def related(connection: sqlite3.Connection, concept: str) -> set[str]:
    """Return a concept with all that are broader or narrower."""
    return broader(connection, concept) | narrower(connection, concept)


def size(effect: Row) -> str:
    """Return the size of an effect, with what it counts and at which dose."""
    text = magnitude(effect["low"], effect["high"], effect["unit"])
    if text and effect["magnitude_meaning"]:
        text += f" ({effect['magnitude_meaning']})"
    dose = magnitude(effect["dose"], None, effect["dose_unit"])
    if dose:
        meaning = f" {effect['dose_meaning']}" if effect["dose_meaning"] else ""
        text = f"{text} at {dose}{meaning}" if text else f"at {dose}{meaning}"
    return text


def effect_text(effect: Row, *, name_cause: bool = False, name_analyte: bool = False) -> str:
    """Return one effect as a line: direction, size, mechanism, condition."""
    text = DIRECTIONS[effect["direction"]]
    figure = size(effect)
    if figure:
        text += f", {figure}"
    extras = [effect["mechanism_label"].lower() if effect["mechanism_label"] else "",
              effect["explanation"] or "", effect["condition"] or "", effect["material_label"] or "",
              effect["method_label"] or effect["setting"] or ""]
    shown = "; ".join(extra for extra in dict.fromkeys(extras) if extra)
    if shown:
        text += f" ({shown})"
    if name_analyte:
        text = f"{effect['analyte_label']}: {text}"
    if name_cause:
        text = f"{effect['cause_label']}: {text}"
    return text


def effect_data(effect: Row) -> dict[str, Any]:
    """Return the data of an effect for programs."""
    keys = ("id", "cause", "analyte", "mechanism", "method", "material", "direction", "usability", "low", "high",
            "unit", "dose", "dose_unit", "condition", "status", "agreement", "basis")
    return {key: effect[key] for key in keys}


def effect_item(effect: Row, used: dict[str, str], **naming: bool) -> Item:
    """Return an effect as an item, noting its source as used."""
    note(used, effect["source"], effect["basis"])
    return Item(effect_text(effect, **naming), effect_data(effect), (effect["source"],) if effect["source"] else ())


def note(used: dict[str, str], source: str | None, basis: str | None) -> None:
    """Remember that a source was used, with the weakest basis on which it was."""
    if source:
        known = used.get(source)
        if known is None or _BASIS_RANK.get(basis or "", 4) > _BASIS_RANK.get(known, 4):
            used[source] = basis or ""


def cited(used: dict[str, str], listed: Iterable[Row]) -> tuple[str, ...]:
    """Note the sources of facts as used, and return each once in the order of the facts."""
    sources: dict[str, None] = {}
    for row in listed:
        note(used, row["source"], row["basis"])
        if row["source"]:
            sources[row["source"]] = None
    return tuple(sources)


def mechanisms_of(effects: Iterable[Row]) -> str:
    """Name the mechanisms of effects, each once, as they read inside a sentence."""
    return join(dict.fromkeys(e["mechanism_label"].lower() for e in effects if e["mechanism_label"]))


def chain(connection: sqlite3.Connection, conclusion: str, used: dict[str, str], depth: int = 0,
          seen: frozenset[str] = frozenset()) -> list[Link]:
    """Return the proof of a conclusion, premises before what follows from them.

    Where there are several proofs, the one whose weakest premise is best founded is given.
    """
    proofs: dict[str, list[Row]] = {}
    for row in rows(connection, "proofs", conclusion=conclusion):
        proofs.setdefault(row["proof"], []).append(row)
    if not proofs or conclusion in seen:
        return []
    best = min(proofs.values(), key=_weakness)
    links: list[Link] = []
    for premise in best:
        inner = chain(connection, premise["fact"], used, depth + 1, seen | {conclusion})
        if inner:
            links += inner
        elif premise["table_name"] not in ("methods", "analytes", "analyte_groups"):
            note(used, premise["source"], premise["basis"])
            sources = (premise["source"],) if premise["source"] else ()
            links.append(Link(f"{premise['sentence']}.", "fact", premise["fact"], "", sources, depth))
    sentence = connection.execute("SELECT sentence FROM fact WHERE id = ?", (conclusion,)).fetchone()["sentence"]
    links.append(Link(f"Therefore: {inside(sentence)}.",
                      "conclusion", conclusion, best[0]["rule_title"], (), depth))
    return links


def _weakness(premises: Sequence[Row]) -> tuple[int, int]:
    ranks = [_BASIS_RANK.get(p["basis"] or "", 0) for p in premises]
    return max(ranks), len(premises)


def join(words: Iterable[str]) -> str:
    """Join words as a sentence does: ``a, b and c``."""
    listed = list(words)
    return listed[0] if len(listed) == 1 else ", ".join(listed[:-1]) + (f" and {listed[-1]}" if listed else "")
