"""A specimen's story typed on the command line: tests, and facts as FIELD=VALUE."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from typing import Any

from kg.forms import FormError, read_form, schema_of

_SHORT = {"hours": "hours_since_collection", "fill": "fill_percent", "volume": "volume_ml", "spun": "centrifuged", "spun_after": "centrifuged_after_hours",
          "infusion": "infusion_site", "light": "light_exposed", "bubble": "air_bubble", "open": "left_open", "heparin": "heparin_treatment"}
"""Short words for fields."""
_INDICES = ("haemolysis", "icterus", "lipaemia")
_YES, _NO = ("yes", "true", "y"), ("no", "false", "n")


def story_from_words(words: Sequence[str], file: str | None, schema: str) -> dict[str, Any]:
    """Return the form that words mean; what is typed takes the place of what the file says.

    Args:
        words: tests, and facts as ``FIELD=VALUE`` with the fields of the schema or their short forms: ``container=k2-edta``,
            ``hours=5``, ``spun=no``, ``draw=citrate,edta,serum``, ``haemolysis=2``.
        file: a JSON file of the form, or ``-``; None when there is none.
        schema: the name of the schema of the form.

    Raises:
        FormError: a field is not known, or its value cannot be read.
    """
    form = read_form(file, schema) if file is not None else {}
    fields = schema_of("accept-input")["properties"]
    tests = list(form.get("tests", []))
    for word in words:
        name, sign, value = word.partition("=")
        if not sign:
            tests.append(word)
            continue
        field = _SHORT.get(name.strip().replace("-", "_"), name.strip().replace("-", "_"))
        if field in _INDICES:
            form["indices"] = {**form.get("indices", {}), field: _number_or_word(value.strip())}
        elif field in fields and field not in ("tests", "indices", "storage"):
            form[field] = _value(word, value.strip(), fields[field])
        else:
            near = get_close_matches(field, [*fields, *_SHORT, *_INDICES], 3)
            raise FormError(f"{word}: '{name}' is no fact that is asked for{'; did you mean ' + ', '.join(near) + '?' if near else ''}")
    if tests:
        form["tests"] = tests
    return form


def _value(word: str, value: str, field: Mapping[str, Any]) -> Any:
    kind = field.get("type")
    if kind == "array":
        return [part.strip() for part in value.split(",") if part.strip()]
    if kind == "boolean":
        if value.lower() in (*_YES, *_NO):
            return value.lower() in _YES
        raise FormError(f"{word}: '{value}' is neither yes nor no")
    if kind in ("number", "integer"):
        number = _number_or_word(value.removesuffix("%").strip())
        if isinstance(number, str):
            raise FormError(f"{word}: '{value}' is not a number")
        return number
    return _number_or_word(value) if "anyOf" in field else value


def _number_or_word(text: str) -> float | int | str:
    try:
        number = float(text)
    except ValueError:
        return text
    return int(number) if number.is_integer() else number
