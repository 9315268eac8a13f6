"""A player's result in words and as a picture: for each thing that was marked a line from 1 to 7, the bows on it by their letters."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from model.domain.vocabulary import CRITERIA, SCALES, OutcomeKind
from service.advice import interval_pictures
from service.core import formats
from service.core.language import _
from service.trials.player_result import LetteredBow, PlayerResult

place, ticks = interval_pictures.place, interval_pictures.ticks
_NAME, _DISC, _FOOT = 24, 24, 22
"""Pixels for a line's name, for each disc above the line, and below it."""
_NEAR = 0.5
"""Bows whose marks lie closer stand above each other."""


@dataclass(frozen=True, slots=True)
class MarkRow:
    """One thing that was marked: heights of its name and its line in pixels, ``discs`` (place, height, letter), the own bow's place."""

    name: str
    name_y: int
    line_y: int
    discs: tuple[tuple[str, int, str], ...]
    own: str


def title(result: PlayerResult) -> str:
    """Name the page."""
    return _("Your bow trial of {day}").format(day=formats.day(result.on))


def bow(rated: LetteredBow) -> str:
    """Name a bow by its letter."""
    return _("Bow {letter}").format(letter=rated.letter) if rated.letter else formats.capital(_("your own bow"))


def model(rated: LetteredBow, result: PlayerResult) -> str:
    """Name a bow's model, and say of the one that was kept that it was."""
    if rated.copy is None:
        return "–"
    kept = rated.copy == result.kept_copy
    return _("{model}, which you kept").format(model=rated.tier_name) if kept else rated.tier_name


def mark(rated: LetteredBow, name: str) -> str:
    """Return one mark, a dash where none was given."""
    value = rated.marks.get(name)
    return "–" if value is None else formats.number(value).removesuffix(".0").removesuffix(",0")


def marked(result: PlayerResult) -> list[str]:
    """Return what was marked at all, the liking as a whole first."""
    return [str(name) for name in CRITERIA if any(name in each.marks for each in result.bows)]


def criterion(name: str) -> str:
    """Return a criterion's short name."""
    return next(_(scale.name) for each, scale in SCALES.items() if each == name)


def played_twice(result: PlayerResult) -> tuple[str, ...]:
    """Say which letters were one and the same bow."""
    letters: dict[str | None, list[str]] = {}
    for each in result.bows:
        letters.setdefault(each.copy, []).append(each.letter)
    twice = _("{letters} were one and the same bow, played twice: how far its marks lie apart is how far yours vary.")
    return tuple(twice.format(letters=formats.listed(found)) for found in letters.values() if len(found) > 1)


def then(result: PlayerResult) -> str:
    """Say what to do next."""
    if result.outcome is OutcomeKind.KEPT:
        return _(
            "If it turns out not to be the right one, tell {dealer}; a bow changes with its hair and with the weather."
        ).format(dealer=result.dealer_name)
    return _("If you want to play one of them again, or others, tell {dealer}, who starts from what you said.").format(
        dealer=result.dealer_name
    )


def rows(result: PlayerResult) -> Iterator[MarkRow]:
    """Lay out the lines of the picture, one below the other."""
    top = 0
    own = next((each for each in result.bows if not each.letter), None)
    for name in marked(result):
        given = [(each.marks[name], each.letter) for each in result.bows if each.letter and name in each.marks]
        levels = _levels(given)
        line_y = top + _NAME + _DISC * max([1, *(level + 1 for _value, _letter, level in levels)])
        discs = tuple((place(value), line_y - _DISC // 2 - _DISC * level, letter) for value, letter, level in levels)
        level = own.marks.get(name) if own else None
        yield MarkRow(criterion(name), top + 16, line_y, discs, "" if level is None else place(level))
        top = line_y + _FOOT


def _levels(given: Sequence[tuple[float, str]]) -> list[tuple[float, str, int]]:
    """Return each mark and letter with how many stand below it, so that no two cover each other."""
    placed: list[tuple[float, str, int]] = []
    for value, letter in sorted(given, key=lambda each: (each[1], each[0])):
        taken = {level for other, _letter, level in placed if abs(other - value) < _NEAR}
        placed.append((value, letter, next(level for level in range(len(given)) if level not in taken)))
    return placed


def foot(drawn: Sequence[MarkRow]) -> int:
    """Return the height at which the rows end."""
    return drawn[-1].line_y + _FOOT if drawn else 0


def description(result: PlayerResult) -> str:
    """Tell the picture in words, for those who cannot see it."""
    said = [_("On a scale from 1 to 7.")]
    line = _("{criterion}: {marks}.")
    for name in marked(result):
        given = [f"{bow(each)} {mark(each, name)}" for each in result.bows if name in each.marks]
        said.append(line.format(criterion=criterion(name), marks=formats.listed(given)))
    return " ".join(said)
