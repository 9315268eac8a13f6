"""The limits of bow force as a picture: over the distance from the bridge, for a slow and a fast bow. A guide, never a promise.

Both axes are logarithmic, so that each limit is a straight line. Places are percentages of the drawing's width and height.
"""

from dataclasses import dataclass
from math import log

from model.bench import playable_range
from model.domain.vocabulary import Instrument
from service.core import formats
from service.core.language import _, ngettext
from service.web.page_data import AxisLabel

NEAREST, FARTHEST = 1 / 30, 1 / 5
"""Shares of the string at both ends of the picture."""
LEAST_N, MOST_N = 0.01, 30.0
"""Newtons at both ends of the picture."""
_FORCES = ((0.01, 2), (0.1, 1), (1.0, 0), (10.0, 0))
"""Marked along the upright axis, with decimals."""


@dataclass(frozen=True, slots=True)
class ForcePicture:
    """What the drawing needs: a band each for the slow and the fast bow as the points of a polygon, marks along both axes.

    ``contacts``: the two places of the strokes; ``numbers``: the limits there in words, for the table beside the picture.
    """

    title: str
    description: str
    slow: str
    fast: str
    contacts: tuple[AxisLabel, ...]
    forces: tuple[AxisLabel, ...]
    slow_words: str
    fast_words: str
    numbers: tuple[tuple[str, str, str], ...]
    caveat: str


def picture(instrument: Instrument, string_mm: float | None) -> ForcePicture:
    """Return the picture for an instrument with strings of a sounding length."""
    length = 1000 * playable_range.string_m(instrument, string_mm)
    speeds = [playable_range.USUAL[instrument].hair_m / seconds for seconds in playable_range.SECONDS_A_BOW]
    words = [_seconds(int(seconds)) for seconds in playable_range.SECONDS_A_BOW]
    places = [_("{mm} mm").format(mm=round(length * beta)) for beta in playable_range.CONTACT]
    numbers = tuple(
        (place, said, _force(playable_range.usual_limits(instrument, speed, beta)))
        for beta, place in zip(playable_range.CONTACT, places, strict=True)
        for speed, said in zip(speeds, words, strict=True)
    )
    slow, fast = (_band(instrument, speed) for speed in speeds)
    line = _("{place} from the bridge, {speed}: {force}.")
    return ForcePicture(
        title=_("How much bow force a steady tone takes, by theory"),
        description=" ".join(line.format(place=place, speed=speed, force=force) for place, speed, force in numbers),
        slow=slow,
        fast=fast,
        contacts=tuple(
            AxisLabel(f"{_across(beta):.1f}%", place)
            for beta, place in zip(playable_range.CONTACT, places, strict=True)
        ),
        forces=tuple(AxisLabel(f"{_up(force):.1f}%", _newtons(force, digits)) for force, digits in _FORCES),
        slow_words=words[0],
        fast_words=words[1],
        numbers=numbers,
        caveat=_caveat(),
    )


def _caveat() -> str:
    return _(
        "A guide, never a promise: it is drawn for a middle string as such strings usually are. Too little force and the tone "
        "thins into a whistle, too much and it chokes; near the bridge the lower limit really rises less steeply than drawn."
    )


def _seconds(count: int) -> str:
    return ngettext("{count} second a bow", "{count} seconds a bow", count).format(count=count)


def _band(instrument: Instrument, speed: float) -> str:
    near, far = (playable_range.usual_limits(instrument, speed, beta) for beta in (NEAREST, FARTHEST))
    corners = ((0.0, near.least_n), (0.0, near.greatest_n), (100.0, far.greatest_n), (100.0, far.least_n))
    return " ".join(f"{x:.1f},{_up(force):.1f}" for x, force in corners)


def _across(beta: float) -> float:
    return 100 * log(beta / NEAREST) / log(FARTHEST / NEAREST)


def _up(force: float) -> float:
    return 100 * (1 - log(force / LEAST_N) / log(MOST_N / LEAST_N))


def _force(limits: playable_range.ForceLimits) -> str:
    return _("from {least} to {most}").format(least=_newtons(limits.least_n), most=_newtons(limits.greatest_n))


def _newtons(force: float, digits: int | None = None) -> str:
    usual = 0 if force >= 10 else 1 if force >= 1 else 2
    return _("{newtons} N").format(newtons=formats.number(force, usual if digits is None else digits))
