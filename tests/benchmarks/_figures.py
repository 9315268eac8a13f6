"""What the benchmarks share: tables of text, times of calls."""

import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TypeVar

T = TypeVar("T")


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Return rows of text under a head: the first column to the left, the others to the right."""
    lines = [head, *rows]
    widths = [max(len(cell) for cell in column) for column in zip(*lines, strict=True)]
    return "\n".join("  ".join(_aligned(line, widths)).rstrip() for line in lines)


def _aligned(line: Sequence[str], widths: Sequence[int]) -> list[str]:
    return [line[0].ljust(widths[0]), *(cell.rjust(width) for cell, width in zip(line[1:], widths[1:], strict=True))]


@dataclass(frozen=True, slots=True)
class Spent:
    """Wall and CPU time of one call, in milliseconds."""

    wall: float
    cpu: float


def timed(call: Callable[[], T]) -> tuple[T, Spent]:
    """Return what a call returns, and the time it took in this process."""
    cpu, wall = time.process_time_ns(), time.perf_counter_ns()
    result = call()
    return result, Spent((time.perf_counter_ns() - wall) / 1e6, (time.process_time_ns() - cpu) / 1e6)
