"""The standing of a trial as a picture: a dot and an interval for each bow on the line from 1 to 7, the own bow across."""

from collections.abc import Sequence

from model.domain.vocabulary import HIGHEST, LOWEST, SCALES, Criterion
from service.advice import interval_pictures
from service.core import formats
from service.core.language import _
from service.trials import trial_words
from service.trials.standing import BowStanding
from service.web.page_data import AxisLabel

_TOP, _ROW, _DROP = 26, 58, 38
"""Pixels above the first row, from row to row, and from a row's name down to its bar: as in `service.advice.interval_pictures`."""
_FOOT, _BELOW = 6, 44


def standing(bows: Sequence[BowStanding]) -> interval_pictures.LikingPicture | None:
    """Lay out the picture of the bows that were rated; None while there is none."""
    rated = [bow for bow in bows if bow.expected is not None and not bow.own]
    if not rated:
        return None
    own = next((bow for bow in bows if bow.own and bow.expected is not None), None)
    foot = _TOP + _ROW * len(rated) + _FOOT
    return interval_pictures.LikingPicture(
        title=_("How the player likes each bow, as far as the sheets tell"),
        description=_describe(rated, own),
        rows=tuple(_row(index, bow) for index, bow in enumerate(rated)),
        ticks=tuple(AxisLabel(interval_pictures.place(mark), str(mark)) for mark in range(LOWEST, HIGHEST + 1)),
        own=_own(own),
        left_end=_(SCALES[Criterion.OVERALL].low),
        right_end=_(SCALES[Criterion.OVERALL].high),
        height=foot + _BELOW,
        foot=foot,
        numbers_y=foot + 20,
        ends_y=foot + 40,
    )


def _row(index: int, bow: BowStanding) -> interval_pictures.TierInterval:
    low, expected, high = _ends(bow)
    return interval_pictures.TierInterval(
        name=trial_words.bow_name(bow.letters, bow.own),
        low=interval_pictures.place(low),
        expected=interval_pictures.place(expected),
        high=interval_pictures.place(high),
        name_y=_TOP + _ROW * index + 20,
        bar_y=_TOP + _ROW * index + _DROP,
    )


def _own(bow: BowStanding | None) -> AxisLabel | None:
    if bow is None:
        return None
    level = _ends(bow)[1]
    anchor = "start" if level < 2 else "end" if level > 6 else "middle"
    return AxisLabel(interval_pictures.place(level), _("own bow"), anchor)


def _ends(bow: BowStanding) -> tuple[float, float, float]:
    """Return low, expected and high of a bow that was rated."""
    middle = bow.expected if bow.expected is not None else float(LOWEST)
    return (middle if bow.low is None else bow.low, middle, middle if bow.high is None else bow.high)


def _describe(rated: Sequence[BowStanding], own: BowStanding | None) -> str:
    """Tell the picture in words, for those who cannot see it."""
    parts = [_("On a scale from 1 to 7.")]
    if own is not None:
        parts.append(_("Own bow: {level}.").format(level=formats.number(_ends(own)[1])))
    sentence = _("{bow}: {expected}, from {low} to {high}.")
    for bow in rated:
        low, expected, high = (formats.number(value) for value in _ends(bow))
        name = trial_words.bow_name(bow.letters, bow.own)
        parts.append(sentence.format(bow=name, expected=expected, low=low, high=high))
    return " ".join(parts)
