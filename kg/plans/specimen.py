"""The specimen that is there, and whether a test can be measured in it."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from typing import Any, NamedTuple

from kg import names
from kg.answer import Link
from kg.database import rows
from kg.forms import FormError
from kg.questions.common import MOVES, broader, chain
from kg.wording import inside

WHOLE, SPUN, AS_IS = "whole", "spun", "as-is"
"""Form in which a test takes the specimen: whole blood, plasma or serum, or another fluid as it comes."""
BLOOD, SEPARATED, FLUID = "blood", "separated", "fluid"
"""What the specimen is: blood that can still be spun, plasma or serum off the cells, or another fluid."""
CLOTTED, _SERUM = "clotted-blood", "serum"
WHOLE_FAMILY, _SPUN_FAMILY = "whole-blood", "plasma-or-serum"
_JUDGEMENTS = ("Specimen materials", "Additives")
_FACTS = {"unsuitable": "is unsuitable", "expected-unsuitable": "is expected to be unsuitable by chemistry",
          "suitable": "is suitable by what is recorded; ask whether the local method has been tried on it",
          "limited": "is suitable within limits by what is recorded; ask whether the local method has been tried on it",
          "disputed": "is disputed; ask whether the local method has been tried on it"}


class Specimen(NamedTuple):
    """What is there."""

    material: str
    label: str
    kind: str
    """``blood``, ``separated`` or ``fluid``."""
    container: str
    container_kind: str
    additives: tuple[str, ...]
    said: str
    """How names were understood where they were not typed as they are."""

    @property
    def drawn(self) -> bool:
        """Whether it is in a tube of known additive, or needs none; blood of an unnamed tube is not."""
        return self.kind == FLUID or bool(self.additives)


def kinds_of(connection: sqlite3.Connection, specimen: Specimen) -> set[str]:
    """Return the materials that a specimen is as it stands: unspun blood is whole blood, in a serum tube clotted blood."""
    above = broader(connection, specimen.material)
    if specimen.kind != BLOOD:
        return above
    return {WHOLE_FAMILY, CLOTTED} if _SERUM in above else above | {WHOLE_FAMILY}


class Fit(NamedTuple):
    """Whether a test can be measured in a specimen."""

    status: str
    """``fits``, ``unsuitable`` (by facts), ``not-accepted`` (by the catalogue) or ``not-known``."""
    form: str
    """``whole``, ``spun`` or ``as-is``; empty where it does not fit."""
    asked: str
    """The material of the test that the specimen stands for."""
    reason: str = ""
    because: tuple[Link, ...] = ()
    sources: tuple[tuple[str, str], ...] = ()
    """Sources of the reason, each with its basis."""
    conflict: str = ""


def check_specimen(form: Mapping[str, Any], where: str, volume: str) -> None:
    """Say in plain words what a schema could only say in its own.

    Args:
        form: a form with a specimen.
        where: what to call it in messages.
        volume: name of the field with the volume; its last letters are the unit.

    Raises:
        FormError: the volume or haematocrit is impossible, or there is neither container nor material.
    """
    amount, haematocrit = form.get(volume), form.get("haematocrit")
    if isinstance(amount, int | float) and not isinstance(amount, bool) and amount <= 0:
        unit = {"ul": "uL", "ml": "mL"}[volume[-2:]]
        raise FormError(f"{where}: {volume}: {amount:g} {unit} is no specimen; a volume above 0 {unit} is needed")
    if isinstance(haematocrit, int | float) and not isinstance(haematocrit, bool) and not 0 <= haematocrit < 1:
        raise FormError(f"{where}: haematocrit: {haematocrit:g} is not a share of the blood; write 0.55 for 55 %")
    if not form.get("container") and not form.get("material"):
        raise FormError(f"{where}: container: missing; name the container (such as 'lithium heparin microtube') or the material (such as csf)")


def resolve_specimen(connection: sqlite3.Connection, material: str | None, container: str | None) -> Specimen:
    """Return the specimen that a material, a container or both name.

    Args:
        connection: the database.
        material: a specimen material as typed; plasma or serum means that it is off the cells.
        container: a container or additive as typed; blood in it counts as unspun.

    Raises:
        UnknownName, AmbiguousName: a name is not understood.
    """
    held = names.resolve(connection, container, ("Container", "Additive", "SpecimenMaterial")) if container else None
    named = names.resolve(connection, material, ("SpecimenMaterial",)) if material else None
    said = "; ".join(name.said for name in (named, held) if name and name.said)
    additives: tuple[str, ...] = ()
    kind, container_id, of_container = "tube", "", None
    if held and held.kind == "Container":
        row = connection.execute("SELECT kind, additives, material FROM containers WHERE id = ?", (held.id,)).fetchone()
        additives, kind, of_container = tuple((row["additives"] or "").split(";")), row["kind"], row["material"]
        container_id = held.id
    elif held and held.kind == "Additive":
        additives = (held.id,)
    elif held:
        of_container = held.id
    return _specimen(connection, named, held, of_container, additives, kind, container_id, said)


def _specimen(connection: sqlite3.Connection, named: names.Name | None, held: names.Name | None, of_container: str | None,
              additives: tuple[str, ...], kind: str, container: str, said: str) -> Specimen:
    material = named.id if named else of_container or _material_of(connection, additives)
    above = broader(connection, material)
    if not additives:
        row = connection.execute("SELECT additive FROM materials WHERE id = ?", (material,)).fetchone()
        additives = (row["additive"],) if row and row["additive"] else ()
    is_blood = bool({WHOLE_FAMILY, _SPUN_FAMILY} & above)
    off_cells = _SPUN_FAMILY in above and (named is not None or (held is not None and held.kind == "SpecimenMaterial"))
    what = FLUID if not is_blood else SEPARATED if off_cells else BLOOD
    label = named.label if named else held.label if held else material
    if named and held and held.id != named.id:
        label = f"{named.label} in {inside(held.label)}"
    return Specimen(material, label, what, container, kind, additives, said)


def _material_of(connection: sqlite3.Connection, additives: tuple[str, ...]) -> str:
    found = connection.execute("SELECT m.id FROM materials m JOIN closure x ON x.narrower = m.id AND x.broader = ? WHERE m.additive = ? "
                               "ORDER BY m.id", (WHOLE_FAMILY, additives[0] if additives else "")).fetchone()
    return str(found["id"]) if found else WHOLE_FAMILY


def fit(connection: sqlite3.Connection, specimen: Specimen, test: str, analytes: tuple[str, ...], accepted: tuple[str, ...]) -> Fit:
    """Say whether a test can be measured in a specimen.

    The catalogue says which materials are accepted; a fact on one of the test's own analytes that calls the
    material unsuitable outweighs it. What the catalogue does not accept is not measured, whatever facts say.

    Args:
        connection: the database.
        specimen: what is there.
        test: code of the test, or the id of an analyte that the catalogue does not hold.
        analytes: what it measures.
        accepted: materials that it accepts, in order of preference.
    """
    for material in accepted:
        form, note, sources = _form(connection, specimen, material)
        if form:
            return _checked(connection, specimen, analytes, Fit("fits", form, material, note, (), sources))
    return _refused(connection, specimen, test, analytes, accepted)


def _form(connection: sqlite3.Connection, specimen: Specimen, material: str) -> tuple[str, str, tuple[tuple[str, str], ...]]:
    """Return the form in which the specimen serves an accepted material, with what has to be said, or an empty form."""
    above = broader(connection, material)
    family = WHOLE if WHOLE_FAMILY in above else SPUN if _SPUN_FAMILY in above else AS_IS
    if specimen.kind == FLUID:
        if family == AS_IS and (specimen.material == material or material in broader(connection, specimen.material)):
            return AS_IS, "", ()
        for row in rows(connection, "stand_ins", material=specimen.material):
            if row["asked"] == material:
                return AS_IS, row["statement"] or "", ((row["source"], row["basis"]),)
        return "", "", ()
    if family == AS_IS or (family == WHOLE and specimen.kind == SEPARATED):
        return "", "", ()
    if not specimen.drawn or specimen.material == material:
        return family, "", ()
    additive = connection.execute("SELECT additive FROM materials WHERE id = ?", (material,)).fetchone()["additive"]
    held = {general for one in specimen.additives for general in broader(connection, one)}
    return (family, "", ()) if additive and additive in held else ("", "", ())


def _checked(connection: sqlite3.Connection, specimen: Specimen, analytes: tuple[str, ...], found: Fit) -> Fit:
    """Hold an accepted material against the facts on the analytes themselves."""
    levels = _levels(connection, _measured(connection, specimen, found))
    for analyte in analytes:
        known = [r for r in rows(connection, "suitability", analyte=analyte) if r["material"] in levels]
        own = [r for r in known if r["analyte"] == analyte]
        nearest = min((levels[r["material"]] for r in own), default=None)
        against = [r for r in own if levels[r["material"]] == nearest]
        if against and all(r["usability"] == "unsuitable" for r in against):
            why = "; ".join(dict.fromkeys(r["condition"] for r in against if r["condition"]))
            text = f"{against[0]['analyte_label']}: {inside(against[0]['material_label'])} is unsuitable{f' ({why})' if why else ''}"
            return Fit("unsuitable", "", found.asked, text, (), tuple((r["source"], r["basis"]) for r in against),
                       f"{text}, yet the catalogue accepts it; it is not measured until that is settled.")
    return found


def _measured(connection: sqlite3.Connection, specimen: Specimen, found: Fit) -> str:
    """Return the material in which it is measured, as special as the additive allows."""
    if not specimen.additives or found.form == AS_IS:
        return specimen.material if found.form == AS_IS else found.asked
    family = WHOLE_FAMILY if found.form == WHOLE else _SPUN_FAMILY
    row = connection.execute("SELECT m.id FROM materials m JOIN closure x ON x.narrower = m.id AND x.broader = ? WHERE m.additive = ? ORDER BY m.id",
                             (family, specimen.additives[0])).fetchone()
    return str(row["id"]) if row else found.asked


def _levels(connection: sqlite3.Connection, material: str) -> dict[str, int]:
    return {r["broader"]: r["distance"] for r in connection.execute("SELECT broader, distance FROM closure WHERE narrower = ?", (material,))}


class Judgement(NamedTuple):
    """What facts and chemistry say of a test in a specimen."""

    verdict: str
    """As of the question ``suits``; ``expected-unsuitable`` only where the additive itself is the reason."""
    material: str
    because: tuple[Link, ...]
    sources: tuple[tuple[str, str], ...]


def judge(connection: sqlite3.Connection, specimen: Specimen, test: str, analytes: tuple[str, ...], accepted: tuple[str, ...]) -> Judgement:
    """Return what facts and chemistry say of a test in a specimen.

    Args:
        connection: the database.
        specimen: what is there.
        test: code of the test, or id of an analyte.
        analytes: what it measures.
        accepted: materials that it accepts; they say whether blood would be spun for it.
    """
    from kg.questions.suits import suits

    material = _family_member(connection, specimen, accepted)
    label = inside(connection.execute("SELECT label FROM concept WHERE id = ?", (material,)).fetchone()["label"])
    found = suits(connection, test, on=material)
    judged = {source for section in found.sections if section.title.startswith(_JUDGEMENTS) for item in section.items for source in item.sources}
    used = {citation.id: citation.basis for citation in found.citations if citation.id in judged}
    because = _chemistry(connection, specimen, analytes, used) if found.verdict in ("unsuitable", "expected-unsuitable") else ()
    verdict = "not-known" if found.verdict == "expected-unsuitable" and not because else found.verdict
    return Judgement(verdict, label, because, tuple(used.items()))


def _refused(connection: sqlite3.Connection, specimen: Specimen, test: str, analytes: tuple[str, ...], accepted: tuple[str, ...]) -> Fit:
    """Say why a specimen does not serve a test: what is asked for, and what facts and chemistry say of this material."""
    labels = [r["label"] for material in accepted for r in connection.execute("SELECT label FROM concept WHERE id = ?", (material,))]
    asks = f"asks for {' or '.join(inside(label) for label in labels)}" if labels else "no accepted specimen is recorded"
    found = judge(connection, specimen, test, analytes, accepted)
    said = f"; {found.material} {_FACTS[found.verdict]}" if found.verdict in _FACTS else f"; whether {found.material} would do is not known"
    if found.verdict in ("unsuitable", "expected-unsuitable"):
        return Fit("unsuitable", "", "", asks + said, found.because, found.sources)
    return Fit("not-known" if not accepted and found.verdict == "not-known" else "not-accepted", "", "", asks + said, (), found.sources)


def _family_member(connection: sqlite3.Connection, specimen: Specimen, accepted: tuple[str, ...]) -> str:
    """Return the material that the specimen would be for a test: unspun where whole blood is asked for."""
    if specimen.kind != BLOOD or not specimen.additives:
        return specimen.material
    whole = any(WHOLE_FAMILY in broader(connection, material) for material in accepted[:1])
    return _measured(connection, specimen, Fit("fits", WHOLE if whole else SPUN, specimen.material))


def _chemistry(connection: sqlite3.Connection, specimen: Specimen, analytes: tuple[str, ...], used: dict[str, str]) -> tuple[Link, ...]:
    """Return the proof of what the additive does to the first analyte that it moves, by the rule nearest to the additive."""
    for additive in specimen.additives:
        for general in sorted(broader(connection, additive), key=lambda one: _levels(connection, additive)[one]):
            for analyte in analytes:
                for effect in rows(connection, "effects_of_pair", cause=general, analyte=analyte):
                    if effect["cause"] == general and effect["status"] == "derived" and effect["direction"] in MOVES:
                        return tuple(chain(connection, effect["id"], used))
    return ()
