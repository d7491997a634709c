"""What a validation found, before it is put into words."""

from __future__ import annotations

from typing import NamedTuple

from kg.validation.assess import Recognised
from kg.validation.beside import Comparison
from kg.validation.beside_earlier import Changed
from kg.validation.day_before import Course
from kg.validation.metrics import Bin, Rate
from kg.validation.severity import Recovered
from kg.validation.simulate import Sizes, Study


class Mixed(NamedTuple):
    """What a panel gives for the mixture at one share of artefacts."""

    share_odd: float
    panels: int
    artefacts: int
    sensitivity: Rate
    specificity: Rate
    predictive_value: Rate
    at_flag_rate: Rate
    """Share of artefacts among the likeliest panels."""
    found_at_flag_rate: Rate
    """Share of the artefacts that are among them."""
    bins: list[Bin]
    error: float


class FoundEarlier(NamedTuple):
    """What one panel gave beside an earlier one."""

    panel: str
    mixture: Mixed
    bands: list[tuple[Recognised, Recognised]]
    """With the earlier panel, and without it."""
    changes: list[Changed]


class Report(NamedTuple):
    """All that was found."""

    seed: int
    sizes: Sizes
    threshold: float
    flag_rate: float
    interval: float
    study: Study
    mixtures: dict[str, list[Mixed]]
    """By panel."""
    bands: dict[str, list[Recognised]]
    diseases: dict[str, list[Recognised]]
    severities: list[Recovered]
    beside: list[Comparison]
    course: Course
    """Between the two draws."""
    earlier: list[FoundEarlier]
