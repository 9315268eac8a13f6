"""A recording's fit: bias and spread against the Cramer-Rao bound, and what is no recording of a struck stick."""

import math

import numpy as np
import pytest
from numpy.typing import ArrayLike

from model import bench
from model.bench import decay
from model.domain.arrays import Floats

RATE, AMPLITUDE = 4000.0, 0.5


def struck(f: float, eta: float, noise: float, seed: int, *, seconds: float = 1.5, rate: float = RATE) -> Floats:
    """Return a synthetic recording: a tenth of a second of noise, the blow, a tone that dies away."""
    drawn = np.random.default_rng(seed)
    t = np.arange(int((seconds + 0.1) * rate)) / rate - 0.1
    fall = np.exp(-math.pi * f * eta * np.maximum(t, 0.0))
    tone = np.where(t >= 0.0, AMPLITUDE * fall * np.cos(2.0 * math.pi * f * t + drawn.uniform(0.0, 2.0 * math.pi)), 0.0)
    return tone + drawn.normal(0.0, noise, t.size)


def bounds(f: float, eta: float, noise: float, samples: int, onset_s: float) -> tuple[float, float]:
    """Return the Cramer-Rao bounds of frequency (Hz) and 60 dB time (s), from the Fisher information itself.

    Yao & Pandit 1995 (IEEE Trans. Signal Process. 43:878): J'J / sigma^2, J the derivatives by logarithm of the amplitude, phase,
    angular frequency and decay, here by differences; the tone begins ``onset_s`` before the first sample.
    """
    t = np.arange(samples) / RATE + onset_s

    def tone(theta: Floats) -> Floats:
        return np.asarray(np.exp(theta[0] - theta[3] * t) * np.cos(theta[2] * t + theta[1]))

    at = np.array([math.log(AMPLITUDE), 0.7, 2.0 * math.pi * f, math.pi * f * eta])
    steps = [1e-5, 1e-5, 1e-4, 1e-4]
    J = np.column_stack(
        [
            (tone(at + step * row) - tone(at - step * row)) / (2.0 * step)
            for step, row in zip(steps, np.eye(4), strict=True)
        ]
    )
    sd = np.sqrt(np.diag(np.linalg.inv(J.T @ J))) * noise
    return float(sd[2]) / (2.0 * math.pi), float(sd[3]) * math.log(1e3) / at[3] ** 2


@pytest.mark.parametrize(
    ("f", "eta", "noise"), [(60.0, 0.01, 0.05), (440.0, 0.005, 0.15), (440.0, 0.005, 0.001), (1500.0, 0.004, 0.02)]
)
def test_the_fit_has_no_bias_and_the_spread_of_the_cramer_rao_bound(f: float, eta: float, noise: float) -> None:
    true_decay = 2.198806797 / (f * eta)
    fits = [bench.fit_decay(struck(f, eta, noise, seed), RATE) for seed in range(48)]
    samples = int(np.median([fit.data.size for fit in fits]))
    bound_f, bound_decay = bounds(f, eta, noise, samples, 0.005)
    for values, told, true, bound in (
        ([fit.frequency_hz for fit in fits], [fit.frequency_hz_sd for fit in fits], f, bound_f),
        ([fit.decay_60db_s for fit in fits], [fit.decay_60db_s_sd for fit in fits], true_decay, bound_decay),
    ):
        # A mean of 48 lies within 4 of its standard errors; a spread of 48 within 40 % of the bound (4 standard errors) and
        # what the fit says of itself within a fifth, plus what its later onset of up to ten milliseconds costs.
        assert abs(np.mean(values) - true) < 4.0 * bound / math.sqrt(48) + 2e-4 * bound
        assert 0.6 < np.std(values) / bound < 1.45
        assert 0.85 < np.median(told) / bound < 1.25


def test_the_loss_factor_follows_with_its_own_spread() -> None:
    fits = [bench.fit_decay(struck(440.0, 0.005, 0.05, seed), RATE) for seed in range(40)]
    values = np.array([fit.loss_factor for fit in fits])
    assert values.mean() == pytest.approx(0.005, rel=0.005)
    assert 0.65 < values.std() / np.mean([fit.loss_factor_sd for fit in fits]) < 1.45
    assert fits[0].quality_factor == pytest.approx(1.0 / fits[0].loss_factor)
    assert fits[0].loss_factor == pytest.approx(bench.loss_factor(fits[0].frequency_hz, fits[0].decay_60db_s))
    assert fits[0].residual_share < 0.1
    assert fits[0].data.shape == fits[0].fitted.shape


def test_the_other_modes_of_a_stick_do_not_move_the_fit() -> None:
    t = np.arange(2 * 8000) / 8000.0
    drawn = np.random.default_rng(5)
    # A free-free bar's modes, at 1, 2.7565 and 5.4039 of the first, and the noise of the blow.
    parts = ((0.3, 100.0, 0.006), (0.25, 275.65, 0.006), (0.15, 540.39, 0.006))
    sound = sum(a * np.exp(-math.pi * f * eta * t) * np.sin(2 * math.pi * f * t) for a, f, eta in parts)
    sound = sound + drawn.normal(0.0, 0.002, t.size)
    sound[:40] += drawn.normal(0.0, 0.3, 40)
    fit = bench.fit_decay(sound, 8000.0)
    assert fit.frequency_hz == pytest.approx(100.0, abs=0.05)
    assert fit.loss_factor == pytest.approx(0.006, rel=0.01)


def test_a_long_recording_at_a_high_rate_is_thinned_without_harm() -> None:
    t = np.arange(192_000 * 3) / 192_000.0
    drawn = np.random.default_rng(6)
    sound = 0.6 * np.exp(-math.pi * 0.5 * t) * np.sin(2 * math.pi * 100.0 * t) + drawn.normal(0.0, 0.01, t.size)
    fit = bench.fit_decay((sound * 32767).astype(np.int16), 192_000.0)
    assert fit.data.size < 100_000
    assert abs(fit.frequency_hz - 100.0) < 4 * fit.frequency_hz_sd < 0.01
    assert abs(fit.loss_factor - 0.005) < 4 * fit.loss_factor_sd < 5e-5


def _bad() -> dict[str, tuple[ArrayLike, str]]:
    drawn = np.random.default_rng(7)
    t = np.arange(8000) / RATE
    tone = 0.5 * np.exp(-6.0 * t) * np.sin(2 * math.pi * 200.0 * t)
    steady = 0.5 * np.sin(2 * math.pi * 440.0 * t)
    band = np.fft.irfft(
        np.fft.rfft(drawn.normal(0.0, 1.0, 8000)) * (np.abs(np.fft.rfftfreq(8000, 1 / RATE) - 420.0) < 20.0)
    )
    return {
        "silence": (np.zeros(8000), "silence"),
        "a constant": (np.ones(8000), "silence"),
        "faint": (np.round(tone * 2e-5, 7), "silence"),
        "noise": (drawn.normal(0.0, 0.1, 8000), "noise without a tone"),
        "noise of one pitch": (band, "no single dying tone describes|does not decay"),
        "brown noise": (
            np.cumsum(drawn.normal(0.0, 0.001, 8000)),
            "does not decay|no single dying tone|too short for its tone",
        ),
        "steady": (steady, "does not decay"),
        "steady in steps": ((steady * 32767).astype(np.int16), "does not decay"),
        "steady with noise": (steady + drawn.normal(0.0, 0.05, 8000), "does not decay"),
        "clipped": (np.clip(3.0 * tone, -1.0, 1.0), "clips"),
        "clipped in steps": ((np.clip(3.0 * tone, -1.0, 1.0) * 32767).astype(np.int16), "clips"),
        "clipped and turned down": (0.1 * np.clip(3.0 * tone, -1.0, 1.0), "clips"),
        "backwards": (tone[::-1], "ends with its blow"),
        "a few samples": (tone[:50], "too short"),
        "a few vibrations": (tone[:150], "too short"),
        "two tones": (tone + 0.5 * np.exp(-6.0 * t) * np.sin(2 * math.pi * 207.0 * t), "no single dying tone"),
        "no numbers": (np.full(8000, np.nan), "no numbers"),
        "two channels": (np.zeros((4000, 2)), "one channel"),
        "words": (np.array(["a"] * 100), "one channel"),
    }


@pytest.mark.parametrize("name", list(_bad()))
def test_what_is_no_struck_stick_is_refused_with_the_reason(name: str) -> None:
    samples, said = _bad()[name]
    with pytest.raises(ValueError, match=said):
        bench.fit_decay(samples, RATE)


@pytest.mark.parametrize("rate", [0.0, -48000.0, math.nan, 100.0, 1e9])
def test_a_rate_that_no_recorder_has_is_refused(rate: float) -> None:
    with pytest.raises(ValueError, match="rate_hz"):
        bench.fit_decay(struck(200.0, 0.01, 0.01, 1), rate)


def test_amplitudes_written_in_steps_are_no_clipping() -> None:
    t = np.arange(8000) / RATE
    for loudness in (0.9, 0.01):
        tone = loudness * np.exp(-6.0 * t) * np.sin(2 * math.pi * 200.0 * t)
        fit = bench.fit_decay((tone * 32767).astype(np.int16), RATE)
        assert fit.frequency_hz == pytest.approx(200.0, abs=0.01)
        assert fit.decay_60db_s == pytest.approx(math.log(1e3) / 6.0, rel=0.02)


def test_successive_amplitudes_give_the_decrement() -> None:
    # eta = delta / pi: .015708 a cycle is a loss factor of .005.
    assert decay.decrement([8.0 * math.exp(-0.015708 * n) for n in range(6)]) == pytest.approx(0.015708)
    for wrong in ([8.0], [8.0, 0.0], [8.0, 9.0], [8.0, -7.0]):
        with pytest.raises(ValueError, match="amplitudes"):
            decay.decrement(wrong)
