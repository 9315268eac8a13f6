"""How well a recording's fit finds frequency and decay: bias and spread against the Cramer-Rao bound, over frequencies and noise levels."""

import argparse
import math
from collections.abc import Iterator, Sequence

import numpy as np

from model import bench
from tests.benchmarks._figures import table
from tests.model.bench.test_decay import AMPLITUDE, RATE, bounds, struck

HEAD = (
    "Hz",
    "loss factor",
    "signal to noise",
    "refused",
    *("bias f", "spread f", "told f"),
    *("bias T60", "spread T60", "told T60"),
)
ONSET_S = 0.005


def measured(f: float, eta: float, noise: float, draws: int) -> tuple[str, ...]:
    """Return a line: biases with their standard errors, spreads, and what the fit tells of itself, all in units of the bound."""
    fits, refused = [], 0
    for seed in range(draws):
        try:
            fits.append(bench.fit_decay(struck(f, eta, noise, seed), RATE))
        except bench.RecordingError:
            refused += 1
    decibels = f"{20.0 * math.log10(AMPLITUDE / math.sqrt(2.0) / noise):.0f} dB"
    head = (f"{f:g}", f"{eta:g}", decibels, str(refused))
    if not fits:
        return (*head, *["–"] * 6)
    samples = int(np.median([fit.data.size for fit in fits]))
    bound_f, bound_decay = bounds(f, eta, noise, samples, ONSET_S)
    return (
        *head,
        *_against([fit.frequency_hz for fit in fits], [fit.frequency_hz_sd for fit in fits], f, bound_f),
        *_against(
            *([fit.decay_60db_s for fit in fits], [fit.decay_60db_s_sd for fit in fits]),
            *(math.log(1e6) / (2.0 * math.pi * f * eta), bound_decay),
        ),
    )


def _against(values: Sequence[float], told: Sequence[float], true: float, bound: float) -> Iterator[str]:
    off = (np.array(values) - true) / bound
    yield f"{off.mean():+.2f} ± {off.std() / math.sqrt(off.size):.2f}"
    yield f"{off.std():.2f}"
    yield f"{np.median(told) / bound:.2f}"


def main(argv: Sequence[str]) -> int:
    """Print the figures."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks decay", description=__doc__)
    parser.add_argument("--draws", type=int, default=100, help="how many recordings are drawn of each")
    draws = parser.parse_args(argv).draws
    print(f"{draws} drawn recordings each; bias, spread and what the fit tells of itself, in units of the bound.")
    rows = [
        measured(f, eta, noise, draws)
        for f, eta in ((60.0, 0.01), (440.0, 0.005), (1500.0, 0.004))
        for noise in (0.001, 0.02, 0.05, 0.15)
    ]
    print(table(HEAD, rows))
    return 0
