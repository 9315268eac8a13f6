"""What one player made of bows, in words: to the player, and to the staff."""

from dataclasses import dataclass

from service.core import formats, phrases
from service.core.language import _
from service.players.known import RatedBow
from service.players.overview import Bow, Overview


@dataclass(frozen=True, slots=True)
class Made:
    """What a player made of bows: lines of bow and mark, and sentences on what is left out. ``key`` names the player."""

    key: str
    lines: tuple[tuple[str, str], ...]
    sentences: tuple[str, ...]


def to_player(key: str, found: Overview) -> Made:
    """Say it to the player."""
    lines = tuple((_bow(bow, _("Your own bow, {instrument}")), _given(bow.played)) for bow in found.bows)
    left_out = (
        (found.withheld, _("Your ratings serve their own trial only, so they do not count for another advice.")),
        (found.blind, _("What you rated under letters that are not revealed yet is left out here.")),
    )
    return Made(key, lines, tuple(sentence for holds, sentence in left_out if holds))


def to_staff(key: str, found: Overview) -> Made:
    """Say it to the staff."""
    lines = tuple((_bow(bow, _("The own bow, {instrument}")), _rated(bow.played)) for bow in found.bows)
    left_out = (
        (
            found.withheld,
            _("There are ratings, but without a yes to helping others they serve their own trial only."),
        ),
        (found.blind, _("The ratings of a trial that is still blind are left out until it is closed or revealed.")),
    )
    return Made(key, lines, tuple(sentence for holds, sentence in left_out if holds))


def _bow(bow: Bow, own: str) -> str:
    if bow.copy is None:
        return own.format(instrument=_(phrases.INSTRUMENTS[bow.instrument]))
    return f"{bow.copy}, {bow.tier_name}"


def _given(played: RatedBow) -> str:
    if played.mark is None:
        return _("you gave it no mark as a whole")
    mark = formats.mark(played.mark)
    if played.on is None:
        return _("you gave it {mark}, as you told us").format(mark=mark)
    return _("you gave it {mark}, on {day}").format(mark=mark, day=formats.day(played.on))


def _rated(played: RatedBow) -> str:
    if played.mark is None:
        return _("played, without a mark as a whole")
    mark = formats.mark(played.mark)
    if played.on is None:
        return _("rated {mark} by this player, as told").format(mark=mark)
    return _("rated {mark} by this player, on {day}").format(mark=mark, day=formats.day(played.on))
