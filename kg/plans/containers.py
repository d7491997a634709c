"""Which containers can serve which test, in which sizes, and what speaks against one."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from kg import names
from kg.database import rows
from kg.plans.requests import Refused, Test
from kg.problem import TubeloreError
from kg.wording import inside

Row = sqlite3.Row
WHOLE, SPUN, CULTURE = "whole", "spun", "culture"


class Size(NamedTuple):
    """A container in one size; volumes in mL of blood."""

    container: str
    label: str
    kind: str
    volume_ml: float
    least_ml: float
    vacuum: bool
    additives: tuple[str, ...]
    material: str
    gel: bool
    blood_to_additive: float | None
    """Parts of blood to one part of liquid additive; nothing where it is dry."""
    for_these_people: bool
    number: int | None
    """How many there are; as many as wanted when nothing."""
    fact: str
    source: str
    basis: str

    @property
    def key(self) -> str:
        """Name of the container in this size."""
        return f"{self.container} {self.volume_ml:g}"


class Choice(NamedTuple):
    """A container that can serve a test."""

    container: str
    use: str
    """``whole``, ``spun`` or ``culture``."""
    instead_of: str = ""
    """The container of the catalogue that holds the same additive, when the catalogue does not name this one."""
    akin: str = ""
    """The broader material that it yields instead, when the additive is not the same but only of the same sort."""


class Knowledge(NamedTuple):
    """What is looked up once for a plan."""

    uses: Mapping[str, str]
    """How a specimen material is come by: ``whole``, ``spun``, ``culture`` or ``other``."""
    additive_of: Mapping[str, str]
    """The additive that a material holds."""
    broader: Mapping[str, frozenset[str]]
    """A concept with all that are broader."""
    additives: Mapping[str, tuple[str, ...]]
    """The additives of a container."""
    labels: Mapping[str, str]
    groups: Mapping[str, frozenset[str]]
    """The groups that an analyte belongs to, with itself, as far as rules and runs speak of them."""
    rules: tuple[Row, ...]
    """The rows of ``sharing_rules``."""
    runs: tuple[Row, ...]
    """The rows of ``single_runs``."""


def knowledge(connection: sqlite3.Connection) -> Knowledge:
    """Read the hierarchy and the materials once."""
    broader: dict[str, set[str]] = {}
    for row in connection.execute("SELECT narrower, broader FROM closure WHERE narrower IN (SELECT id FROM concept WHERE kind IN "
                                  "('Additive', 'SpecimenMaterial'))"):
        broader.setdefault(row["narrower"], set()).add(row["broader"])
    materials = rows(connection, "material_uses")
    runs = rows(connection, "single_runs")
    held = {row["id"]: tuple((row["additives"] or "").split(";")) for row in connection.execute("SELECT id, additives FROM containers")}
    labels = {row["id"]: row["label"] for row in connection.execute(
        "SELECT id, label FROM concept WHERE kind IN ('Container', 'SpecimenMaterial', 'HandlingRequirement', 'Additive')")}
    return Knowledge({row["material"]: row["use"] for row in materials}, {row["material"]: row["additive"] or "" for row in materials},
                     {concept: frozenset(above) for concept, above in broader.items()}, held, labels,
                     _groups(connection, runs), tuple(rows(connection, "sharing_rules")), tuple(runs))


def _groups(connection: sqlite3.Connection, runs: Sequence[Row]) -> dict[str, frozenset[str]]:
    spoken_of = {analyte for run in runs for analyte in run["analytes"].split(";")}
    spoken_of |= {row["subject"] for row in connection.execute("SELECT subject FROM sharing_rules WHERE subject_kind = 'analyte-group'")}
    marks = ",".join("?" * len(spoken_of))
    found: dict[str, set[str]] = {}
    for row in connection.execute(f"SELECT narrower, broader FROM closure WHERE broader IN ({marks})", sorted(spoken_of)):
        found.setdefault(row["narrower"], set()).add(row["broader"])
    return {analyte: frozenset(groups) for analyte, groups in found.items()}


def run_of(known: Knowledge, test: Test) -> Row | None:
    """Return the measurement that gives a test together with others: each of its analytes comes from it, in its material."""
    if not test.analytes:
        return None
    materials = {above for material in test.materials for above in known.broader.get(material, frozenset({material}))}
    return next((run for run in known.runs if run["material"] in materials
                 and all(set(run["analytes"].split(";")) & known.groups.get(analyte, frozenset()) for analyte in test.analytes)), None)


def stock(connection: sqlite3.Connection, known: Knowledge, people: str, route: str, available: Sequence[Any] | None) -> tuple[list[Size], list[Refused]]:
    """Return the sizes that can be filled, and what of the form could not be understood.

    Args:
        connection: the database.
        known: what was looked up.
        people: ``adult``, ``child``, ``infant`` or ``newborn``.
        route: ``venous``, ``capillary`` or ``line``.
        available: the containers of the form, as names or as objects with ``container``, ``volume_ml`` and ``count``; all when nothing.
    """
    usual = [_size(row, people) for row in rows(connection, "container_stock") if route in row["routes"].split(";")]
    usual = _once(usual)
    if available is None:
        return usual, []
    sizes: list[Size] = []
    problems: list[Refused] = []
    for number, entry in enumerate(available):
        field = f"available[{number}]"
        wish: dict[str, Any] = {"container": entry} if isinstance(entry, str) else entry
        try:
            meant, exact = _meant(connection, known, wish["container"])
        except TubeloreError as error:
            problems.append(Refused(str(wish["container"]), field, str(error)))
            continue
        found = [size for size in usual if size.container in meant]
        volume = wish.get("volume_ml")
        if volume is not None:
            found = [_resized(found, volume)] if found else []
        if not found:
            problems.append(Refused(str(wish["container"]), field, f"no size of it is known for a {route} draw; name a container for that route, "
                                    "or see 'tubelore about' for what it is"))
        exact = exact or not any(size.for_these_people for size in found)
        sizes += [size._replace(number=wish.get("count"), for_these_people=exact or size.for_these_people) for size in found]
    return _once(sizes), problems


def _size(row: Row, people: str) -> Size:
    return Size(row["container"], row["label"], row["kind"], row["volume"], row["least"], row["filled"] == "vacuum",
                tuple((row["additives"] or "").split(";")), row["material"] or "", row["barrier"] == "gel", row["blood_to_additive"],
                people in row["people"].split(";"), None, row["id"], row["source"], row["basis"])


def every_size(connection: sqlite3.Connection, people: str) -> list[tuple[Size, Row]]:
    """Return every size of every container with its row, by whatever route it is filled."""
    return [(_size(row, people), row) for row in rows(connection, "container_stock")]


def _once(sizes: Sequence[Size]) -> list[Size]:
    """Keep one of each container and size; the one for these people wins, and one without a count over one with."""
    kept: dict[str, Size] = {}
    for size in sizes:
        known = kept.get(size.key)
        if known is None or (size.for_these_people and not known.for_these_people):
            kept[size.key] = size
    return list(kept.values())


def _resized(sizes: Sequence[Size], volume_ml: float) -> Size:
    """Return the size that was stated; the least fill keeps its share of the nearest usual size."""
    near = min(sizes, key=lambda size: abs(size.volume_ml - volume_ml))
    return near._replace(volume_ml=volume_ml, least_ml=near.least_ml * volume_ml / near.volume_ml)


def _meant(connection: sqlite3.Connection, known: Knowledge, typed: str) -> tuple[set[str], bool]:
    """Return the containers that a name stands for, and whether it names one; an additive or a colour stands for all that hold it."""
    name = names.resolve(connection, typed, ("Container", "Additive"))
    if name.kind == "Container":
        return {name.id}, True
    return {container for container, additives in known.additives.items()
            if any(name.id in known.broader.get(additive, frozenset()) for additive in additives)}, False


def choices(connection: sqlite3.Connection, known: Knowledge, test: Test, sizes: Sequence[Size], route: str) -> tuple[list[Choice], list[Refused]]:
    """Return the containers that can serve a test, and those that the catalogue names but that must not be used.

    Args:
        connection: the database.
        known: what was looked up.
        test: the test.
        sizes: what can be filled.
        route: ``venous``, ``capillary`` or ``line``.

    Returns:
        the choices, empty when the test cannot be served; and for each container left out on purpose, or for the whole
        test, the reason.
    """
    uses = {known.uses.get(material, "other") for material in test.materials}
    if not uses & {WHOLE, SPUN, CULTURE}:
        wanted = ", ".join(inside(known.labels.get(m, m)) for m in test.materials) or "not known"
        return [], [Refused(test.label, "tests", f"it is not measured in blood from this draw (specimen: {wanted})")]
    barred = [rule for rule in known.rules if rule["sharing"] == "not-by-route" and rule["subject"] in test.handling]
    if route == "capillary" and barred:
        return [], [Refused(test.label, "route", f"{barred[0]['reason']}; draw from a vein", (barred[0]["source"],))]
    held = {size.container for size in sizes}
    refused: list[Refused] = []
    found: list[Choice] = []
    named = test.containers or tuple(dict.fromkeys(size.container for size in sizes if _yields(known, size, test)))
    for container in named:
        against = _against(connection, known, test, container)
        if against:
            refused.append(against)
        elif container in held:
            found.append(Choice(container, _use(known, test, container)))
    listed = {choice.container for choice in found}
    usual = {size.container for size in sizes if size.for_these_people}
    if test.containers and not listed & usual:
        found += _alike(connection, known, test, sizes, listed)
    if not found and {c for c in named if c in held} and refused:
        refused.append(Refused(test.label, "tests", "so no container that the catalogue names for it is left; ask the laboratory"))
    elif not found:
        refused.append(Refused(test.label, "available", _none_left(known, test, route)))
    return found, refused


def _none_left(known: Knowledge, test: Test, route: str) -> str:
    if not test.containers:
        if all(known.uses.get(material) == WHOLE for material in test.materials) and not test.volumes.assumed:
            return "the catalogue names no container; it is measured at the bedside from a drop"
        return "no container is known to suit it" if not test.materials else "none of the containers yields a material that is known to suit it"
    wanted = " or ".join(inside(known.labels.get(c, c)) for c in test.containers)
    return f"it needs {wanted}; none is at hand for a {route} draw"


def _alike(connection: sqlite3.Connection, known: Knowledge, test: Test, sizes: Sequence[Size], listed: set[str]) -> list[Choice]:
    """Return containers of these people that hold just what a container of the catalogue holds, smaller tubes foremost."""
    found: list[Choice] = []
    for size in sizes:
        if not size.for_these_people or size.container in listed or any(c.container == size.container for c in found):
            continue
        twin = next((c for c in test.containers if known.additives.get(c) == size.additives and known.uses.get(size.material) != "other"), None)
        if twin and not _against(connection, known, test, size.container) and not _against(connection, known, test, twin):
            found.append(Choice(size.container, _use(known, test, twin), twin))
    return found


def akin(connection: sqlite3.Connection, known: Knowledge, test: Test, sizes: Sequence[Size], route: str) -> list[Choice]:
    """Return containers of these people that yield a broader material than the catalogue asks for, where a rule says that it may stand in."""
    if not test.containers or (route == "capillary" and any(rule["sharing"] == "not-by-route" and rule["subject"] in test.handling for rule in known.rules)):
        return []
    standing_in = {rule["subject"] for rule in known.rules if rule["sharing"] == "akin"}
    broader = standing_in & {above for material in test.materials for above in known.broader.get(material, frozenset()) - {material}}
    fitting = [size for size in sizes if size.for_these_people and size.material in broader and known.uses.get(size.material) in (WHOLE, SPUN)]
    return [Choice(size.container, known.uses[size.material], test.containers[0], size.material) for size in fitting
            if not _against(connection, known, test, size.container)]


def _against(connection: sqlite3.Connection, known: Knowledge, test: Test, container: str) -> Refused | None:
    """Say why a container must not be used: the test's own handling rules it out, or it is published as unsuitable."""
    above = {concept for additive in known.additives.get(container, ()) for concept in known.broader.get(additive, frozenset())}
    label = known.labels.get(container, container)
    for rule in known.rules:
        if rule["sharing"] == "not-in" and rule["subject"] in test.handling and rule["additive"] in above:
            return Refused(test.label, "tests", f"{inside(label)} is not used: {rule['reason']}", (rule["source"],))
    for analyte in test.analytes:
        published = [row for row in rows(connection, "usability_of_analyte", analyte=analyte) if row["additive"] in above]
        bad = [row for row in published if row["by"] == "material" and row["usability"] == "unsuitable" and row["distance"] == 0]
        if bad and not any(row["usability"] == "suitable" for row in published):
            return Refused(test.label, "tests", f"{inside(label)} is not used although the catalogue allows it: {inside(bad[0]['sentence'])}",
                           (bad[0]["source"],))
    return None


def _yields(known: Knowledge, size: Size, test: Test) -> bool:
    """Whether a container gives one of the materials that suit a bare analyte."""
    above = known.broader.get(size.material, frozenset())
    holds = {concept for additive in size.additives for concept in known.broader.get(additive, frozenset())}
    return any(material in above or (known.additive_of.get(material) in holds and known.uses.get(material) in (WHOLE, SPUN)) for material in test.materials)


def _use(known: Knowledge, test: Test, container: str) -> str:
    """Return how the test's material is come by in a container: the first material whose additive the container holds."""
    holds = {concept for additive in known.additives.get(container, ()) for concept in known.broader.get(additive, frozenset())}
    fitting = [m for m in test.materials if known.additive_of.get(m) in holds] or list(test.materials)
    return next((known.uses[m] for m in fitting if known.uses.get(m) in (WHOLE, SPUN, CULTURE)), WHOLE)
