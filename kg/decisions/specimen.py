"""The story of a specimen: what was said of its collection, transport and storage, with names and times understood."""

from __future__ import annotations

import sqlite3
from typing import Any, NamedTuple

from kg import names
from kg.database import rows
from kg.decisions.clock import Clock, read_clock
from kg.forms import FormError

TUBES = ("Container", "Additive")
_YES = {True: "yes", False: "no"}
_WORDS = ("label", "container_state", "in_date", "infusion_site", "route", "transport", "mixing", "clots", "light_exposed",
          "air_bubble", "left_open", "recentrifuged", "centrifuged", "heparin_treatment", "high_white_count")
_NOTHING = ("nothing", "none", "no")


class Said(NamedTuple):
    """One thing that the story says, and the factors or additives that it names."""

    value: str | float
    factors: tuple[str, ...] = ()
    label: str = ""
    low: float | None = None
    """The lower end, where a value stands for a range of which it is the upper end."""


class Story(NamedTuple):
    """What is known of one specimen. What is missing from ``said`` was not said."""

    label: str
    """What the specimen is, in words."""
    container: names.Name | None
    additives: tuple[str, ...]
    form: str | None
    """The specimen material, when the story names one; otherwise it follows from the container."""
    container_material: str | None
    said: dict[str, Said]
    clock: Clock
    draw: tuple[names.Name, ...] = ()
    position: int | None = None
    """The place of this tube in the draw, counted from 0."""
    understood: tuple[str, ...] = ()
    collection: bool = False
    reception: bool = False
    factors: tuple[names.Name, ...] = ()
    """What else is known to have happened, as factors of the graph."""


def read_story(connection: sqlite3.Connection, form: dict[str, Any], where: str = "the specimen") -> Story:
    """Turn a checked form into a story.

    Args:
        connection: the database.
        form: as ``queries/schemas/accept-input.json`` describes it.
        where: what to call the form in messages.

    Raises:
        FormError: a name is not known, times contradict each other, or a figure is impossible; the message
            names the field.
    """
    container = _named(connection, form, "container", TUBES, where)
    additive = _named(connection, form, "additive", ("Additive",), where)
    material = _named(connection, form, "material", ("SpecimenMaterial",), where)
    held = _held(connection, container, additive, material)
    kind, barrier, yields = _about_container(connection, container)
    roots = _above(connection, tuple(filter(None, (material.id if material else yields,))))
    clock = read_clock(connection, form, where, gel=barrier == "gel", off_cells=material is not None and "plasma-or-serum" in roots,
                       cells=not roots or bool(roots & {"whole-blood", "plasma-or-serum"}))
    said = _plain(form)
    said |= _indices(connection, form, where)
    said |= _numbers(connection, form, held, clock, where)
    said |= _storage(clock)
    said["gel"] = Said(_YES[barrier == "gel"])
    if kind:
        said["container_kind"] = Said(kind)
    if container or held:
        said["held_in"] = Said(container.id if container else held[0])
    draw = tuple(_one(connection, text, (*TUBES, "SpecimenMaterial"), f"draw[{i}]", where) for i, text in enumerate(form.get("draw", ())))
    position = _position(form, draw, where)
    _same_tube(connection, container, draw, position, where)
    said |= _other_tubes(connection, form, draw, position, where)
    said |= _infusion(connection, form, where)
    factors = tuple(_one(connection, text, ("Factor",), f"factors[{i}]", where) for i, text in enumerate(form.get("factors", ())))
    said |= _factors(connection, factors)
    what = container or material or additive
    named = [name for name in (container, additive, material, *draw) if name]
    return Story(what.label if what else "Specimen of an unknown kind", container, held, material.id if material else None, yields, said, clock,
                 draw, position, tuple(dict.fromkeys(name.said for name in named if name.said)),
                 form.get("collection") == "uneventful", form.get("reception") == "nothing-amiss", factors)


def _one(connection: sqlite3.Connection, text: str, kinds: tuple[str, ...], field: str, where: str) -> names.Name:
    try:
        return names.resolve(connection, text, kinds)
    except (names.UnknownName, names.AmbiguousName) as error:
        raise FormError(f"{where}: {field}: {error}") from error


def _named(connection: sqlite3.Connection, form: dict[str, Any], field: str, kinds: tuple[str, ...], where: str) -> names.Name | None:
    return _one(connection, form[field], kinds, field, where) if field in form else None


def _held(connection: sqlite3.Connection, container: names.Name | None, additive: names.Name | None,
          material: names.Name | None) -> tuple[str, ...]:
    """Return the additives in the specimen: those that were named, or those of the container or the material."""
    if additive is not None:
        return (additive.id,)
    if container is not None and container.kind == "Additive":
        return (container.id,)
    table, column, name = ("containers", "additives", container) if container else ("materials", "additive", material)
    if name is None:
        return ()
    found = connection.execute(f"SELECT {column} FROM {table} WHERE id = ?", (name.id,)).fetchone()[0]
    return tuple(found.split(";")) if found else ()


def _about_container(connection: sqlite3.Connection, container: names.Name | None) -> tuple[str | None, str | None, str | None]:
    """Return kind, barrier and material of a container."""
    if container is None:
        return None, None, None
    if container.kind == "Additive":
        row = connection.execute("SELECT form FROM additives WHERE id = ?", (container.id,)).fetchone()
        return None, "gel" if row["form"] == "gel" else None, None
    row = connection.execute("SELECT kind, barrier, material FROM containers WHERE id = ?", (container.id,)).fetchone()
    return row["kind"], row["barrier"], row["material"]


def _above(connection: sqlite3.Connection, concepts: tuple[str, ...]) -> set[str]:
    marks = ",".join("?" * len(concepts))
    return {row["broader"] for row in connection.execute(f"SELECT broader FROM closure WHERE narrower IN ({marks})", concepts)}


def _plain(form: dict[str, Any]) -> dict[str, Said]:
    said = {}
    for field in _WORDS:
        if field in form:
            value = form[field]
            said[field] = Said(_YES[value] if isinstance(value, bool) else value)
    return said


def _indices(connection: sqlite3.Connection, form: dict[str, Any], where: str) -> dict[str, Said]:
    """Read the indices; a grade stands for a range."""
    grades = {(row["index"], row["grade"]): row for row in rows(connection, "index_grades")}
    units = {row["index"]: row["unit"] for row in grades.values()}
    said = {}
    for index, value in form.get("indices", {}).items():
        if isinstance(value, str):
            row = grades[index, value]
            said[f"{index}_level"] = Said(row["high"], label=f"{value} by eye, {row['low']:g} to {row['high']:g} {row['unit']}", low=row["low"])
        else:
            said[f"{index}_level"] = Said(float(value), label=f"{value:g} {units[index]}")
    return said


def _numbers(connection: sqlite3.Connection, form: dict[str, Any], held: tuple[str, ...], clock: Clock, where: str) -> dict[str, Said]:
    said: dict[str, Said] = {}
    if "fill_percent" in form:
        fill = float(form["fill_percent"])
        if fill < 2:
            raise FormError(f"{where}: fill_percent: {fill:g} % is hardly a drop; give per cent of the nominal volume, such as 60 for a tube filled to 0.6")
        said["fill_percent"] = Said(fill, label=f"{fill:g} % full")
    if "volume_ml" in form:
        said["volume_ml"] = Said(float(form["volume_ml"]), label=f"{form['volume_ml']:g} mL")
    if "inversions" in form and "mixing" not in form:
        said["mixing"] = _mixing(connection, held, int(form["inversions"]))
    if clock.clotting_hours is not None:
        minutes = clock.clotting_hours * 60
        said["clotting_minutes"] = Said(minutes, label=f"{minutes:.0f} min to the spin")
    return said


def _mixing(connection: sqlite3.Connection, held: tuple[str, ...], inversions: int) -> Said:
    """Compare the inversions with the fewest that are published for the additive."""
    label = f"turned {inversions} times"
    if inversions == 0:
        return Said("not-mixed", label=label)
    fewest = [row["low"] for additive in held for row in rows(connection, "specifications", additive=additive)
              if row["quantity"] == "inversions" and row["low"] is not None]
    return Said("too-little" if fewest and inversions < min(fewest) else "mixed", label=label)


def _storage(clock: Clock) -> dict[str, Said]:
    """Say how long it was warm, cold or frozen before it was taken off the cells.

    What was told is a lower bound, so hours beyond nothing are said even when the rest is missing.
    """
    on_cells = clock.on_cells
    complete = clock.missing is None and clock.missing_split is None

    def total(*kept: str) -> float:
        return sum(hours for temperature, hours in on_cells.items() if temperature in kept)

    everything = tuple(on_cells)
    figures = {"warm_hours": (total("room", "hot", "body", "cool"), "out of the cold"), "cold_hours": (total("ice", "refrigerated"), "in the cold"),
               "below_body_hours": (total(*(kept for kept in everything if kept != "body")), "below 37 Cel"),
               "hot_hours": (total("hot", "body"), "in the heat"), "frozen_blood_hours": (total("frozen", "deep-frozen"), "frozen")}
    return {field: Said(hours, label=f"{hours:.3g} h {words}") for field, (hours, words) in figures.items() if complete or hours > 0}


def _position(form: dict[str, Any], draw: tuple[names.Name, ...], where: str) -> int | None:
    position = form.get("position")
    if position is None:
        return None
    if position > len(draw):
        raise FormError(f"{where}: position: {position} is beyond the {len(draw)} tubes of draw; count from 1")
    return int(position) - 1


def _same_tube(connection: sqlite3.Connection, container: names.Name | None, draw: tuple[names.Name, ...], position: int | None, where: str) -> None:
    """Refuse a place in the draw at which another sort of tube stands than the specimen is in."""
    from kg.decisions.drawing import place

    if container is None or position is None:
        return
    own, there = place(connection, container), place(connection, draw[position])
    if own is not None and there is not None and own != there:
        raise FormError(f"{where}: position: tube {position + 1} of draw is {draw[position].label}, but the specimen is in {container.label}; correct one of them")


def _other_tubes(connection: sqlite3.Connection, form: dict[str, Any], draw: tuple[names.Name, ...], position: int | None,
                 where: str) -> dict[str, Said]:
    from kg.decisions.drawing import carry_over, out_of_order

    said: dict[str, Said] = {}
    for field in ("poured_from", "contaminated_by"):
        if field in form:
            if form[field].strip().lower() in _NOTHING:
                said[field] = Said("nothing")
            else:
                other = _one(connection, form[field], TUBES, field, where)
                said[field] = Said(other.id, carry_over(connection, other), other.label)
    if position is not None:
        early = out_of_order(connection, draw, position)
        said["out_of_order"] = (Said("yes", tuple(f for tube in early for f in carry_over(connection, tube)), ", ".join(t.label for t in early))
                                if early else Said("nothing"))
    return said


def _infusion(connection: sqlite3.Connection, form: dict[str, Any], where: str) -> dict[str, Said]:
    site = form.get("infusion_site")
    if site is None:
        return {}
    fluid = form.get("fluid")
    if fluid is None:
        return {"infusion_site": Said(site)}
    found = _one(connection, fluid, ("Fluid", "Factor"), "fluid", where)
    factors = [found.id] if found.kind == "Factor" else [
        row["id"] for row in connection.execute("SELECT id FROM factors WHERE fluid = ? ORDER BY id", (found.id,))]
    return {"infusion_site": Said(site, tuple(factors), found.label)}


def _factors(connection: sqlite3.Connection, factors: tuple[names.Name, ...]) -> dict[str, Said]:
    """Sort the factors that were named by their kind, so that each kind has its rule."""
    by_kind: dict[str, list[names.Name]] = {}
    for factor in factors:
        kind = connection.execute("SELECT kind FROM factors WHERE id = ?", (factor.id,)).fetchone()["kind"]
        by_kind.setdefault(kind, []).append(factor)
    return {f"told_{kind}": Said("yes", tuple(f.id for f in found), ", ".join(f.label for f in found)) for kind, found in by_kind.items()}
