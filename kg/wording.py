"""How facts read in words: sentence templates, numbers and names, with nothing left unsaid."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping

_OPTIONAL = re.compile(r"\[([^\[\]]*)\]")
_FIELD = re.compile(r"\{(\w+)\}")


def fold(text: str) -> str:
    """Return a name as it is compared: lower case, without accents, marks or double blanks.

    >>> fold("Ionised  Calcium (Ca²⁺)")
    'ionised calcium ca2'
    """
    decomposed = unicodedata.normalize("NFKD", text.casefold())
    plain = "".join(c for c in decomposed if not unicodedata.combining(c))
    plain = plain.replace("α", "alpha").replace("β", "beta").replace("γ", "gamma")
    return " ".join(word for word in re.sub(r"[^a-z0-9.%]+", " ", plain).split() if word != ".")


def sentence(template: str, words: Mapping[str, str]) -> str:
    """Fill a sentence template.

    Parts in square brackets are left out when one of their fields is empty. A range whose ends are
    equal, or that has one end only, is said as one figure; the unit 1 is not said.

    Args:
        template: text with ``{field}`` and ``[optional part]``.
        words: the field values as they are to be read; missing ones count as empty.

    >>> sentence("{a} falls[ by {low} to {high} {unit}]", {"a": "Zinc", "low": "5", "high": "5", "unit": "%"})
    'Zinc falls by 5 %'
    """
    low, high = words.get("low", ""), words.get("high", "")
    figure = low if low == high or not high else high if not low else f"{low} to {high}"
    # the braces of UCUM annotations are not for people, and would be filled as if they were fields
    values = {name: re.sub(r"[{}]", "", word) for name, word in {**words, "range": figure}.items()}
    text = template.replace("{low} to {high}", "{range}")
    if words.get("unit") == "1":
        text = text.replace(" {unit}", "")
    text = _OPTIONAL.sub(lambda m: _fill(m.group(1), values) if _complete(m.group(1), values) else "", text)
    text = " ".join(_fill(text, values).split()).strip(" ;,")
    return text[:1].upper() + text[1:]


def _complete(part: str, values: Mapping[str, str]) -> bool:
    return all(values.get(name) for name in _FIELD.findall(part))


def _fill(part: str, values: Mapping[str, str]) -> str:
    return _FIELD.sub(lambda m: values.get(m.group(1), ""), part)


_PROPER = ("Clauss", "Jaffe", "Ringer", "Westergren", "Howell", "Schilling", "Bence", "Taq", "Rh", "Coombs", "Helicobacter",
           "Neisseria", "Gardnerella", "Chlamydia", "Clostridioides", "Toxoplasma", "Bordetella", "Streptobacillus",
           "Peptostreptococcus", "Epstein", "Clark", "Bowers", "Michaelis", "Heinz", "Sudan", "Wright", "Giemsa")


def inside(label: str) -> str:
    """Return a label as it reads inside a sentence: small, unless it is a name or an abbreviation.

    >>> inside("Calcium ion"), inside("K2EDTA"), inside("Clauss fibrinogen")
    ('calcium ion', 'K2EDTA', 'Clauss fibrinogen')
    """
    if label[1:2].islower() and not label.startswith(_PROPER):
        return label[0].lower() + label[1:]
    return label


def spoken(label: str) -> str:
    """Return a label as it is said, inside a sentence: what stands after a comma first, without what stands in brackets.

    >>> spoken("Calcium, total"), spoken("Bicarbonate (total carbon dioxide)")
    ('total calcium', 'bicarbonate')
    """
    name = label.split(" (")[0]
    head, _, tail = name.partition(", ")
    return f"{tail} {inside(head)}" if tail else inside(name)


def magnitude(low: float | None, high: float | None, unit: str | None) -> str:
    """Return a size with its unit, or an empty text when it is not known.

    >>> magnitude(-71.0, -71.0, "%")
    '-71 %'
    """
    if low is None and high is None:
        return ""
    ends = [f"{end:.12g}" for end in (low, high) if end is not None]
    figure = ends[0] if len(set(ends)) == 1 else " to ".join(ends)
    return f"{figure} {unit}" if unit and unit != "1" else figure
