"""What one player made of bows, in words to the player."""

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
