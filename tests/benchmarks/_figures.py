"""What the benchmarks share: tables of text, means with their standard errors, times of calls."""

import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Self, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
T = TypeVar("T")


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Return rows of text under a head: the first column to the left, the others to the right."""
    lines = [head, *rows]
    widths = [max(len(cell) for cell in column) for column in zip(*lines, strict=True)]
    return "\n".join("  ".join(_aligned(line, widths)).rstrip() for line in lines)


def _aligned(line: Sequence[str], widths: Sequence[int]) -> list[str]:
    return [line[0].ljust(widths[0]), *(cell.rjust(width) for cell, width in zip(line[1:], widths[1:], strict=True))]


@dataclass(frozen=True, slots=True)
class Estimate:
    """A mean and its standard error."""

    mean: float
    error: float

    @classmethod
    def of(cls, values: ArrayLike, cluster: ArrayLike | None = None) -> Self:
        """Return the mean of (n,) values, its error counted by clusters of values that belong together.

        The error is the cluster-robust one, sqrt(sum over clusters of (sum of deviations)^2) / n (Liang & Zeger 1986,
        Biometrika 73: 13), times sqrt(g / (g - 1)) for g clusters: with one value a cluster, the usual one.
        """
        given = np.asarray(values, dtype=np.float64)
        labels = np.arange(len(given)) if cluster is None else np.asarray(cluster)
        _, code = np.unique(labels, return_inverse=True)
        sums = np.bincount(code, weights=given - given.mean())
        groups = len(sums)
        scale = np.sqrt(groups / (groups - 1)) if groups > 1 else np.inf
        return cls(float(given.mean()), float(scale * np.sqrt((sums**2).sum()) / len(given)))

    def __str__(self) -> str:
        return f"{self.mean:.3f} ± {self.error:.3f}"

    def signed(self) -> str:
        """Return it with the sign of the mean, for a difference."""
        return f"{self.mean:+.3f} ± {self.error:.3f}"


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
