"""The standing of a trial as a picture: a dot and an interval for each bow on the line from 1 to 7, the own bow across."""

from collections.abc import Sequence

from model.domain.vocabulary import LOWEST
from service.advice import interval_pictures
from service.core import formats
from service.core.language import _
from service.trials import trial_words
from service.trials.standing import BowStanding


def standing(bows: Sequence[BowStanding]) -> interval_pictures.LikingPicture | None:
    """Lay out the picture of the bows that were rated; None while there is none."""
    rated = [bow for bow in bows if bow.expected is not None and not bow.own]
    if not rated:
        return None
    own = next((bow for bow in bows if bow.own and bow.expected is not None), None)
    return interval_pictures.laid_out(
        _("How the player likes each bow, as far as the sheets tell"),
        _describe(rated, own),
        [(trial_words.bow_name(bow.letters, bow.own), *_ends(bow)) for bow in rated],
        _ends(own)[1] if own else None,
        _("own bow"),
    )


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
