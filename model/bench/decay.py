"""A struck stick's recording: how high it sounds, and how fast that dies away.

The recording is taken for one damped sinusoid and white noise, x(t) = e^(-at) (p cos wt + q sin wt) + e(t), fitted by least
squares, which reaches the Cramer-Rao bound of a damped sinusoid (Yao & Pandit 1995, IEEE Trans. Signal Process. 43:878) as soon
as the sound stands clear of the noise. Other modes of the stick lie far from the fitted one and hardly touch it; their part of
the residual is left out of the uncertainty, which counts what remains close to the fitted frequency.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from model.domain.arrays import Floats

LEAST_RATE, MOST_RATE = 1000.0, 1e6
LOWEST_HZ = 15.0
LEAST_CYCLES, LEAST_SAMPLES = 10, 64
LONGEST_S = 10.0
"""No more than this much after the blow is looked at: what sounds longer is told well by then."""
SILENCE = 1e-5
"""Of full scale; the loudest of a recording below it is the converter's own noise."""
AS_LOUD = 0.9
"""From which share of the greatest power on a stretch is as loud as the loudest."""
LEAST_FALL = 0.1
"""By how much, as a natural logarithm, the sound has to fall within the recording: less than one decibel tells no decay."""
CLEAR = 3.0
"""How many standard deviations a decay must lie above none."""
MOST_UNEXPLAINED = 0.5
"""Which share of the sound around its frequency one damped tone may leave."""
SCALES = 8
"""How many lengths are searched for a tone, each half the one before."""
MANY, SAMPLES_A_CYCLE = 1 << 15, 16
"""From twice so many samples on a stretch is thinned, down to so many a vibration or so many in all."""
CHANCE = 1e-6
"""How seldom noise alone may pass for a tone."""
WINDOW_DECAYS = 6.0
"""How many times the time in which the amplitude falls to 1/e is fitted; what comes after holds noise alone."""


class RecordingError(ValueError):
    """A recording from which nothing can be told; ``reason``: silent, clips, short, noise, steady, unclear, no_sound or rate."""

    def __init__(self, reason: str, message: str) -> None:
        self.reason = reason
        super().__init__(message)


@dataclass(frozen=True, slots=True, eq=False)
class DecayFit:
    """What a recording says.

    Attributes
    ----------
    frequency_hz, decay_60db_s, loss_factor, quality_factor : each with its standard deviation ``…_sd``.
    amplitude : of the tone at the blow, as a share of full scale.
    onset_s : when the fit begins, after the blow; ``window_s``: how long it goes on.
    residual_share : the residual around the frequency against the tone, as a ratio of root mean squares.
    data, fitted : (n,) the fitted stretch of the recording and what the fit has there, ``rate_hz`` samples a second.
    """

    frequency_hz: float
    frequency_hz_sd: float
    decay_60db_s: float
    decay_60db_s_sd: float
    loss_factor: float
    loss_factor_sd: float
    amplitude: float
    onset_s: float
    window_s: float
    residual_share: float
    rate_hz: float
    data: Floats
    fitted: Floats

    @property
    def quality_factor(self) -> float:
        """Q, one over the loss factor."""
        return 1.0 / self.loss_factor

    @property
    def quality_factor_sd(self) -> float:
        """Its standard deviation, to first order."""
        return self.loss_factor_sd / self.loss_factor**2


def fit_decay(samples: ArrayLike, rate_hz: float) -> DecayFit:
    """Return frequency, 60 dB time and loss factor of a struck stick's recording with their standard deviations.

    ``samples`` (n,): one channel, full scale 1 for floats and the type's own range for whole numbers.

    Raises
    ------
    RecordingError
        The recording is no sound: silent, clipped, too short, noise alone, does not decay, or is not one damped tone.
    """
    rate = float(rate_hz)
    if not (math.isfinite(rate) and LEAST_RATE <= rate <= MOST_RATE):
        msg = f"rate_hz: got {rate_hz!r}, expected samples a second from {LEAST_RATE:g} to {MOST_RATE:g}, such as 48000"
        raise RecordingError("rate", msg)
    sound = _checked(samples)
    _refuse_clipped(sound)
    onset = _onset(sound, rate)
    tail = sound[onset : onset + int(LONGEST_S * rate)]
    tail = tail - tail.mean() if tail.size else tail
    if tail.size < LEAST_SAMPLES:
        msg = (
            "samples: got a recording that ends with its blow, expected one that goes on until the sound has died away"
        )
        raise ValueError(msg)
    omega = _dominant(tail, rate)
    if tail.size / rate * omega / (2.0 * math.pi) < LEAST_CYCLES:
        msg = f"samples: got a recording too short for its tone, expected at least {LEAST_CYCLES} vibrations after the blow"
        raise RecordingError("short", msg)
    alpha = _rough_decay(tail, rate, omega)
    window = tail[: max(LEAST_SAMPLES, int(min(tail.size, WINDOW_DECAYS / max(alpha, 1e-9) * rate)))]
    thinned, thinned_rate = _thinned(window, rate, omega)
    return _fitted(thinned, thinned_rate, omega, alpha, onset / rate)


def _checked(samples: ArrayLike) -> Floats:
    """Return the samples as floats of full scale 1, their mean taken away."""
    given = np.asarray(samples)
    if given.ndim != 1 or given.dtype.kind not in "iuf":
        msg = f"samples: got {given.dtype} in {given.ndim} dimensions, expected one channel of numbers"
        raise RecordingError("no_sound", msg)
    if given.size < LEAST_SAMPLES:
        msg = f"samples: got {given.size} samples, too short; expected at least {LEAST_SAMPLES}, half a second or more"
        raise RecordingError("short", msg)
    scale = 1.0 if given.dtype.kind == "f" else float(np.iinfo(given.dtype).max)
    sound = given.astype(np.float64) / scale
    if not np.isfinite(sound).all():
        msg = "samples: got values that are no numbers, expected a recording"
        raise RecordingError("no_sound", msg)
    sound -= sound.mean()
    if np.abs(sound).max() < SILENCE:
        msg = "samples: got silence, expected the sound of a struck stick"
        raise RecordingError("silent", msg)
    return sound


def _refuse_clipped(sound: Floats) -> None:
    """Refuse a recording that stays at its own greatest or least value for longer than a tone of its fineness does."""
    flat = 0
    for side in (sound, -sound):
        top = float(side.max())
        at_top = side >= top - 1e-9 * max(abs(top), 1.0)
        below = side[~at_top]
        if not below.size:
            continue
        edges = np.flatnonzero(np.diff(np.concatenate([[0], at_top.astype(np.int8), [0]])))
        runs = edges[1::2] - edges[::2]
        # A tone that is written in steps of `step` stays at its top for 2 acos(1 - step/top) of its phase.
        step = min((top - float(below.max())) / max(top, 1e-300), 1.0)
        crossings = max(int(np.count_nonzero(np.diff(np.signbit(sound)))), 1)
        usual = 2.0 * math.acos(1.0 - step) / math.pi * sound.size / crossings
        flat += int(np.count_nonzero(runs > 2.0 + 1.5 * usual))
    if flat >= 2:
        msg = "samples: got a recording that clips, expected one made with the input turned down"
        raise RecordingError("clips", msg)


def _onset(sound: Floats, rate: float) -> int:
    """Return the sample after the first of the loudest stretches of five milliseconds: there the blow is over."""
    length = max(int(0.005 * rate), 8)
    blocks = sound[: sound.size // length * length].reshape(-1, length)
    power = (blocks**2).sum(axis=1)
    return (int(np.flatnonzero(power >= AS_LOUD * power.max())[0]) + 1) * length


def _dominant(tail: Floats, rate: float) -> float:
    """Return the angular frequency of the loudest tone; refuses noise that has none.

    A tone that dies away fast stands out best in a short stretch, one that goes on in a long one: several lengths are looked at.
    """
    best, found = 0.0, 0.0
    scales = [size for size in (tail.size >> halved for halved in range(SCALES)) if size >= LEAST_SAMPLES]
    for size in scales:
        contrast, omega = _peak(tail[:size], rate)
        # Of white noise each ordinate is exponential: how likely one this high is among all that were looked at.
        contrast -= math.log(size * len(scales))
        if contrast > best:
            best, found = contrast, omega
    if best < -math.log(CHANCE):
        msg = "samples: got noise without a tone, expected the sound of a struck stick"
        raise RecordingError("noise", msg)
    return found


def _peak(stretch: Floats, rate: float) -> tuple[float, float]:
    """Return the highest ordinate of a stretch's power spectrum against its noise, and its angular frequency."""
    # The weight falls from the blow on, as the tone does.
    weighted = (stretch - stretch.mean()) * np.cos(np.linspace(0.0, math.pi / 2.0, stretch.size)) ** 2
    length = 2 << (stretch.size - 1).bit_length()
    power = np.abs(np.fft.rfft(weighted, length)) ** 2
    lowest = max(math.ceil(LOWEST_HZ * length / rate), 2)
    searched = power[lowest:-1]
    peak = int(searched.argmax()) + lowest
    # The mean of exponential ordinates follows from their median, which a tone does not move.
    noise = max(float(np.median(searched)) / math.log(2.0), 1e-300)
    left, middle, right = np.log(power[peak - 1 : peak + 2] + 1e-300)
    bend = left - 2.0 * middle + right
    shift = 0.5 * (left - right) / bend if bend < 0.0 else 0.0
    return float(power[peak] / noise), float(2.0 * math.pi * (peak + min(max(shift, -0.5), 0.5)) * rate / length)


def _rough_decay(tail: Floats, rate: float, omega: float) -> float:
    """Return a first decay rate 1/s from the level of the tone, mixed down and averaged over whole vibrations."""
    block = max(int(4.0 * 2.0 * math.pi / omega * rate), tail.size // 400, 1)
    count = tail.size // block
    if count < 3:
        return 0.0
    moments = np.arange(count * block) / rate
    level = np.abs((tail[: count * block] * np.exp(-1j * omega * moments)).reshape(count, block).mean(axis=1))
    floor = float(np.median(level[count * 3 // 4 :]))
    below = np.flatnonzero(level < max(2.0 * floor, 0.01 * float(level.max())))
    last = int(below[0]) if below.size and below[0] >= 3 else max(3, count if not below.size else 3)
    chosen, middles = level[:last], (np.arange(last) + 0.5) * block / rate
    slope = np.polyfit(middles, np.log(chosen + 1e-300), 1, w=chosen)[0]
    return float(max(-slope, 0.0))


def _thinned(window: Floats, rate: float, omega: float) -> tuple[Floats, float]:
    """Return a long stretch in means of a few samples each, and their rate.

    The means of a damped sinusoid are one too, of the same frequency and decay; the noise falls as it should.
    """
    block = min(int(rate / (SAMPLES_A_CYCLE * omega / (2.0 * math.pi))), window.size // MANY)
    if block < 2:
        return window, rate
    return window[: window.size // block * block].reshape(-1, block).mean(axis=1), rate / block


def _columns(moments: Floats, omega: float, alpha: float) -> Floats:
    """Return (2, n) the tone's two phases."""
    fall = np.exp(-alpha * moments)
    return np.vstack([fall * np.cos(omega * moments), fall * np.sin(omega * moments)])


def _fitted(window: Floats, rate: float, omega: float, alpha: float, onset: float) -> DecayFit:
    from scipy import optimize  # noqa: PLC0415 - slow to load, and few look at a recording

    moments = np.arange(window.size) / rate
    basis = _columns(moments, omega, alpha)
    start = np.linalg.lstsq(basis.T, window, rcond=None)[0]

    def jacobian(theta: Floats) -> Floats:
        of = _columns(moments, theta[0], theta[1])
        tone, turned = theta[2] * of[0] + theta[3] * of[1], theta[3] * of[0] - theta[2] * of[1]
        return np.vstack([moments * turned, -moments * tone, of[0], of[1]]).T

    def residual(theta: Floats) -> Floats:
        of = _columns(moments, theta[0], theta[1])
        return np.asarray(theta[2] * of[0] + theta[3] * of[1] - window)

    found = optimize.least_squares(
        residual, [omega, alpha, *start], jac=jacobian, x_scale="jac", method="lm", xtol=1e-12, ftol=1e-12, max_nfev=200
    )
    w, a, p, q = found.x.tolist()
    fitted = window + found.fun
    noise, unexplained = _around(-found.fun, fitted, rate, w, a)
    information = jacobian(found.x)
    covariance = np.linalg.pinv(information.T @ information) * noise
    _refuse_steady(w, a, math.sqrt(covariance[1, 1]), window.size / rate, unexplained)
    eta = 2.0 * a / w
    # eta = 2 a / w, whose two parts share their errors.
    slope = np.array([-eta / w, 2.0 / w])
    return DecayFit(
        frequency_hz=w / (2.0 * math.pi),
        frequency_hz_sd=math.sqrt(covariance[0, 0]) / (2.0 * math.pi),
        decay_60db_s=math.log(1e3) / a,
        decay_60db_s_sd=math.log(1e3) / a**2 * math.sqrt(covariance[1, 1]),
        loss_factor=eta,
        loss_factor_sd=math.sqrt(float(slope @ covariance[:2, :2] @ slope)),
        amplitude=math.hypot(p, q),
        onset_s=onset,
        window_s=window.size / rate,
        residual_share=unexplained,
        rate_hz=rate,
        data=window,
        fitted=fitted,
    )


def _around(residual: Floats, fitted: Floats, rate: float, omega: float, alpha: float) -> tuple[float, float]:
    """Return the noise's variance a sample as it is around the tone, and the residual against the tone there."""
    density, tone = (np.abs(np.fft.rfft(each)) ** 2 / each.size for each in (residual, fitted))
    width = rate / residual.size
    reach = max(20.0 * abs(alpha) / (2.0 * math.pi), 0.05 * omega / (2.0 * math.pi), 25.0 * width)
    at = np.arange(density.size) * width
    near = np.abs(at - omega / (2.0 * math.pi)) <= reach
    near[0] = False
    if near.sum() < 8:
        near = at > 0.0
    close = np.abs(at - omega / (2.0 * math.pi)) <= max(5.0 * abs(alpha) / (2.0 * math.pi), 5.0 * width)
    share = math.sqrt(float(density[close].sum()) / max(float(tone[close].sum()), 1e-300))
    return float(density[near].mean()), share


def _refuse_steady(omega: float, alpha: float, sd: float, length: float, unexplained: float) -> None:
    """Refuse a tone that is none, does not fall, or falls in another way than one damped tone does."""
    if not (omega > 0.0 and math.isfinite(alpha)) or unexplained > MOST_UNEXPLAINED:
        msg = "samples: got a sound that no single dying tone describes, expected one clear blow without speech or other noise"
        raise RecordingError("unclear", msg)
    if alpha * length < LEAST_FALL or alpha < CLEAR * sd:
        msg = "samples: got a tone that does not decay, expected one that dies away after a single blow"
        raise RecordingError("steady", msg)


def decrement(amplitudes: ArrayLike) -> float:
    """Return the logarithmic decrement a cycle of successive amplitudes, the slope of their logarithms (least squares).

    Raises
    ------
    ValueError
        Fewer than two, one not above 0, or they do not fall.
    """
    given = np.asarray(amplitudes, dtype=np.float64)
    if given.ndim != 1 or given.size < 2 or not (np.isfinite(given).all() and (given > 0.0).all()):
        msg = "amplitudes: expected two or more successive amplitudes above 0, such as 8.0 7.9 7.8"
        raise ValueError(msg)
    slope = -float(np.polyfit(np.arange(given.size), np.log(given), 1)[0])
    if slope <= 0.0:
        msg = "amplitudes: got ones that do not fall, expected successive amplitudes of a sound that dies away"
        raise ValueError(msg)
    return slope
