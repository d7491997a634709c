"""Units of results: a light reading of UCUM and of what people write instead, and conversion between them.

The units themselves, and the usual spellings, are in ``queries/units.csv``. UCUM: The Unified Code for
Units of Measure, https://ucum.org/ucum. One enzyme unit is one micromole a minute (Nomenclature
Committee of the International Union of Biochemistry), so 60 U are 1 ukat.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Sequence
from functools import cache
from itertools import islice, product
from typing import NamedTuple

from kg import paths

_MOST = 64
"""Readings of one text that are tried at most."""
_SUPERSCRIPT = str.maketrans("⁰¹²³⁴⁵⁶⁷⁸⁹⁻", "0123456789-")
_COMPONENT = re.compile(r"10[*^]([+-]?\d{1,2})|(1(?:00)?)|((?:[A-Za-z%']|\[[^\[\]]*\])+)([+-]?\d)?")


class Unit(NamedTuple):
    """A unit: its code, its size in base units and what it measures."""

    code: str
    factor: float
    dimension: tuple[tuple[str, int], ...]


class Conversion(NamedTuple):
    """A conversion that holds for one analyte: ``value * factor + offset``, from one unit to another."""

    start: Unit
    end: Unit
    factor: float
    offset: float = 0.0
    mass_of: str = ""
    """What is weighed or counted, where people mean different things."""


class _Table(NamedTuple):
    prefixes: dict[str, float]
    units: dict[str, Unit]
    metric: frozenset[str]
    spellings: dict[str, tuple[str, ...]]


@cache
def _table() -> _Table:
    prefixes: dict[str, float] = {}
    units: dict[str, Unit] = {}
    spellings: dict[str, tuple[str, ...]] = {}
    metric = set()
    with open(paths.resource("queries", "units.csv"), encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            code = row["code"]
            if row["kind"] == "prefix":
                prefixes[code] = float(row["factor"])
            elif row["kind"] == "spelling":
                spellings[code] = tuple(row["means"].split(";"))
            else:
                parts = (part.split(":") for part in row["dimension"].split(";") if part)
                units[code] = Unit(code, float(row["factor"]), tuple(sorted((name, int(power)) for name, power in parts)))
                if row["kind"] == "metric":
                    metric.add(code)
    return _Table(prefixes, units, frozenset(metric), spellings)


@cache
def parse(code: str) -> Unit | None:
    """Return the unit that a UCUM code stands for; None when it is none that is known here.

    >>> parse("mmol/L").factor
    1.0
    >>> parse("10*9/L").dimension
    (('length', -3),)
    """
    factor = 1.0
    powers: dict[str, int] = {}
    text = re.sub(r"(?<![^./])\{[^{}]*\}", "1", code)
    text = re.sub(r"\{[^{}]*\}", "", text)
    if text.startswith("/"):
        text = f"1{text}"
    if not re.fullmatch(r"[^./]+(?:[./][^./]+)*", text):
        return None
    for sign, part in zip([".", *re.findall(r"[./]", text)], re.split(r"[./]", text), strict=True):
        found = _component(part)
        if found is None:
            return None
        direction = -1 if sign == "/" else 1
        factor *= found.factor**direction
        for name, power in found.dimension:
            powers[name] = powers.get(name, 0) + direction * power
    return Unit(code, factor, tuple(sorted((name, power) for name, power in powers.items() if power)))


def _component(text: str) -> Unit | None:
    match = _COMPONENT.fullmatch(text)
    if not match:
        return None
    exponent, number, symbol, power = match.groups()
    if exponent is not None:
        return Unit(text, 10.0 ** int(exponent), ())
    if number:
        return Unit(text, float(number), ())
    found = _symbol(symbol)
    if found is None or power is None:
        return found
    raised = int(power)
    return Unit(text, found.factor**raised, tuple((name, times * raised) for name, times in found.dimension))


def _symbol(text: str) -> Unit | None:
    table = _table()
    if text in table.units:
        return table.units[text]
    rest = text[1:]
    if text[0] in table.prefixes and rest in table.metric:
        unit = table.units[rest]
        return Unit(text, table.prefixes[text[0]] * unit.factor, unit.dimension)
    return None


@cache
def readings(text: str) -> tuple[Unit, ...]:
    """Return every unit that a person may have meant, the likeliest first; empty when there is none.

    >>> [unit.code for unit in readings("IU/l")]
    ['U/l', '[IU]/l', "[arb'U]/l"]
    >>> readings("x10^9/L")[0].code
    '10*9/L'
    """
    typed = text.strip()
    plain = _plain(typed)
    found: dict[tuple[float, tuple[tuple[str, int], ...]], Unit] = {}
    for code in (typed, plain, *islice(_spelt(plain), _MOST)):
        unit = parse(code) if code else None
        if unit:
            found.setdefault((unit.factor, unit.dimension), unit)
    return tuple(found.values())


def _plain(text: str) -> str:
    """Write powers of ten, micro signs and blanks as UCUM does."""
    text = re.sub(r"[⁰¹²³⁴⁵⁶⁷⁸⁹⁻]+", lambda match: f"^{match[0].translate(_SUPERSCRIPT)}", text)
    text = re.sub("[µμ]", "u", text).replace("×", "x").replace("·", ".").replace("⋅", ".")
    text = re.sub(r"\s+per\s+|\s*/\s*", "/", text)
    text = re.sub(r"[xX*]?\s*10\s*[\^*eE]\s*\(?(\d{1,2})\)?|^[xX]?[eE](\d{1,2})(?=/)",
                  lambda match: f"10*{match[1] or match[2]}", text)
    text = re.sub(r"(?<=[A-Za-z])\^(?=-?\d)", "", text)
    return re.sub(r"\s+", ".", re.sub(r"/?1[.,]73\s*(?:m\^?2|\{m2\}|sqm)$", "", text).strip())


def _spelt(text: str) -> Iterator[str]:
    """Yield the UCUM codes that a text may stand for by the table of spellings, part by part."""
    whole = _table().spellings.get(text.casefold().replace(".", " "), ())
    yield from whole
    parts = re.split(r"([./])", text)
    choices = [[part] if part in "./" else _part(part) for part in parts]
    for chosen in product(*choices):
        yield "".join(chosen)


def _part(text: str) -> list[str]:
    table = _table()
    folded = text.casefold()
    listed = list(table.spellings.get(folded, ()))
    if _component(text):
        listed.insert(0, text)
    for code in table.units:
        if folded == code.casefold():
            listed.append(code)
        elif code in table.metric and folded[1:] == code.casefold() and folded[0] in table.prefixes:
            listed.append(folded[0] + code)
    return list(dict.fromkeys(listed)) or [text]


def alike(one: Unit, other: Unit) -> bool:
    """Whether two units measure the same kind of thing."""
    return one.dimension == other.dimension


def convert(value: float, start: Unit, end: Unit, conversions: Sequence[Conversion] = ()) -> float | None:
    """Return a value in another unit; None when the analyte gives no way from one to the other.

    A conversion of the analyte goes before the mere kind of unit where it starts from another kind of
    quantity of the same dimension, as HbA1c in % and in mmol/mol do.

    Args:
        value: in the unit ``start``.
        start: the unit to convert from.
        end: the unit wanted.
        conversions: what holds for the analyte, the first that fits is taken.
    """
    if start.factor == end.factor and alike(start, end):
        return value
    for step in conversions:
        for way in (step, _reverse(step)):
            if _begins(way, start) and _begins(_reverse(way), end):
                inside = value * (start.factor / way.start.factor) * way.factor + way.offset
                return inside * (way.end.factor / end.factor)
    return value * (start.factor / end.factor) if alike(start, end) else None


def _begins(step: Conversion, unit: Unit) -> bool:
    """Whether a unit is on the side from which a step starts; of like sides only the very unit is."""
    if not alike(step.start, unit):
        return False
    return not alike(step.start, step.end) or step.start.factor == unit.factor


def _reverse(step: Conversion) -> Conversion:
    return Conversion(step.end, step.start, 1 / step.factor, -step.offset / step.factor, step.mass_of)
