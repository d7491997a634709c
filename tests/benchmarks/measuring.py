"""Two things measured in turn, so that whatever else the machine does falls on both."""

from __future__ import annotations

import statistics
import subprocess
import time
from collections.abc import Callable


def run(command: list[str]) -> None:
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)


def median(action: Callable[[], object], times: int) -> float:
    """Return the median seconds of an action, which is done once before."""
    action()
    measured = []
    for _ in range(times):
        started = time.perf_counter()
        action()
        measured.append(time.perf_counter() - started)
    return statistics.median(measured)


def alternate(one: Callable[[], object], other: Callable[[], object], times: int) -> tuple[float, float]:
    """Measure two things in turn and return the median seconds of each."""
    measured: tuple[list[float], list[float]] = ([], [])
    for _ in range(times):
        for action, seconds in zip((one, other), measured, strict=True):
            started = time.perf_counter()
            action()
            seconds.append(time.perf_counter() - started)
    return statistics.median(measured[0]), statistics.median(measured[1])


def report(what: str, ours: float, baseline: str, base: float, wanted: str) -> None:
    print(f"{what}: {ours / base:.2f} times the {baseline} ({1000 * ours:.2f} ms against {1000 * base:.2f} ms; wanted: {wanted})")
