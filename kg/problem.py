"""One record for everything that any check can find wrong."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

ERROR = "error"
WARNING = "warning"


class Problem(NamedTuple):
    """Something wrong: where it is, what it is, and what would be right.

    ``row`` is the line in the file as a text editor counts it (the header is line 1); 0 means the
    whole file.
    """

    where: str
    row: int
    field: str
    what: str
    fix: str
    severity: str = ERROR

    def __str__(self) -> str:
        place = f"{self.where}:{self.row}" if self.row else self.where
        field = f" {self.field}:" if self.field else ""
        fix = f"; {self.fix}" if self.fix else ""
        return f"{place}:{field} {self.what}{fix}"


class TubeloreError(Exception):
    """Base of every error that is reported to a person as one line."""


class FormError(TubeloreError):
    """What was sent in cannot be used: the message names the file, the field and what would be right."""


class BuildError(TubeloreError):
    """The build cannot go on; carries every problem found so far.

    Args:
        message: one sentence for the last line of the report.
        problems: what was found, in the order of the files.
    """

    def __init__(self, message: str, problems: Sequence[Problem] = ()) -> None:
        super().__init__(message)
        self.problems = list(problems)


def errors(problems: Iterable[Problem]) -> list[Problem]:
    """Return the problems that stop a build or an import."""
    return [problem for problem in problems if problem.severity == ERROR]
