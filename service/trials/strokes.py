"""The playable range of the bows of a trial: the eight strokes as they are asked for, and what came of them, bow by bow.

The strokes are those of `model.bench.playable_range`. Every bow has them in an order of its own, drawn by trial, place and letter.
"""

import random
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from model.bench import playable_range
from model.domain.vocabulary import STROKES, Instrument
from service import tables
from service.core import formats, phrases
from service.core.language import N_, _, ngettext
from service.trials import force_picture
from service.trials.desk_records import SlotRow
from service.trials.force_picture import ForcePicture

WORDS = dict(zip(playable_range.MARKS, (N_("clean"), N_("noisy"), N_("broken")), strict=True))
_NARROW: dict[tuple[playable_range.Factor, int], str] = {
    ("speed", -1): N_("Narrow when the bow is slow."),
    ("speed", 1): N_("Narrow when the bow is fast."),
    ("force", -1): N_("Narrow with little weight."),
    ("force", 1): N_("Narrow with much weight."),
    ("contact", -1): N_("Narrow towards the bridge."),
    ("contact", 1): N_("Narrow towards the fingerboard."),
    ("tilt", -1): N_("Narrow with the hair flat."),
    ("tilt", 1): N_("Narrow with the hair tilted."),
}
CAUTIONS = ("pain", "bow_care")


@dataclass(frozen=True, slots=True)
class ProbedBow:
    """What the strokes of one bow showed: its name, the marks in the design's order, the count and the rest in words."""

    name: str
    marks: playable_range.Marks
    count: str
    told: str


@dataclass(frozen=True, slots=True)
class ProbedBows:
    """The bows of a trial whose strokes were played, side by side.

    ``strokes``: each in a line, by their numbers; ``words``: of each mark; ``force``: the limits of bow force of the instrument.
    """

    strokes: tuple[str, ...]
    bows: tuple[ProbedBow, ...]
    words: Mapping[int | None, str]
    force: ForcePicture


def order(trial: str, position: int, letter: str) -> list[int]:
    """Return in which order a bow's strokes are asked for, as places in the design's order."""
    drawn = list(range(STROKES))
    random.Random(f"{trial} {position} {letter}").shuffle(drawn)  # noqa: S311 - an order, no secret
    return drawn


def asked(instrument: Instrument, string_mm: float | None) -> list[list[str]]:
    """Return each stroke in the design's order as it is asked for: speed, weight, place on the string, hair."""
    return [
        [_setting(name, level, instrument, string_mm) for name, level in zip(playable_range.FACTORS, row, strict=True)]
        for row in playable_range.DESIGN
    ]


def short(instrument: Instrument, string_mm: float | None) -> list[str]:
    """Return each stroke in the design's order in one line."""
    return [" · ".join(settings) for settings in asked(instrument, string_mm)]


def _setting(factor: playable_range.Factor, level: int, instrument: Instrument, string_mm: float | None) -> str:
    high = level > 0
    if factor == "speed":
        seconds = int(playable_range.SECONDS_A_BOW[high])
        slow = ngettext("Slow: {count} second for the whole bow", "Slow: {count} seconds for the whole bow", seconds)
        fast = ngettext("Fast: {count} second for the whole bow", "Fast: {count} seconds for the whole bow", seconds)
        return (fast if high else slow).format(count=seconds)
    if factor == "force":
        return _("Much weight, as for a full forte") if high else _("Little weight, hardly more than the bow’s own")
    if factor == "contact":
        millimetres = round(1000 * playable_range.contact_points(playable_range.string_m(instrument, string_mm))[high])
        near, far = _("{mm} mm from the bridge"), _("{mm} mm from the bridge, towards the fingerboard")
        return (far if high else near).format(mm=millimetres).replace(" mm", f"{formats.NBSP}mm")
    return _("Hair tilted") if high else _("Hair flat on the string")


def for_screen(
    trial: str, instrument: Instrument, string_mm: float | None, slots: Iterable[dict[str, Any]]
) -> dict[str, Any]:
    """Return what a screen needs to ask for the strokes without network: each in words, and the order of every place."""
    return {
        "strokes": asked(instrument, string_mm),
        "orders": {str(each["position"]): order(trial, each["position"], each["letter"]) for each in slots},
        "cautions": cautions(),
    }


def cautions() -> list[str]:
    """Return what whoever plays the strokes is to mind."""
    return [_(phrases.CAUTIONS[code]) for code in CAUTIONS]


# What came of them


def side_by_side(
    trial: tables.Trial, slots: Sequence[SlotRow], runs: Iterable[tables.Run], own_name: str
) -> ProbedBows | None:
    """Return the bows of a trial whose strokes were played, in the order of playing; None where no stroke was.

    ``own_name``: how the player's own bow is called to whoever reads it.
    """
    played = {run.position: run.strokes for run in runs if run.rater == "player" and run.strokes}
    bows: list[ProbedBow] = []
    for slot in slots:
        if slot.position in played:
            bows.append(_probed(_name(slot, own_name, [each.name for each in bows]), played[slot.position]))
    if not bows:
        return None
    of = trial.instrument, trial.string_length_mm
    words = {number: _(WORDS[mark]) for number, mark in enumerate(playable_range.MARKS)} | {None: _("not played")}
    return ProbedBows(tuple(short(*of)), tuple(bows), words, force_picture.picture(*of))


def _name(slot: SlotRow, own_name: str, before: Sequence[str]) -> str:
    # A trial from a file has no letters: its bows are known by their serials.
    name = own_name if slot.own else _("Bow {letter}").format(letter=slot.letter or slot.copy)
    if slot.sitting > 1:
        name = _("{bow}, sitting {number}").format(bow=name, number=slot.sitting)
    return _("{bow}, played again").format(bow=name) if name in before else name


def _probed(name: str, text: str | None) -> ProbedBow:
    marks = playable_range.from_text(text)
    return ProbedBow(name, marks, count(marks), told(marks))


def count(marks: playable_range.Marks) -> str:
    """Say how many strokes were clean, of all or of those that were played."""
    clean, played = marks.count(playable_range.CLEAN), STROKES - marks.count(None)
    if played == STROKES:
        return _("{clean} of {all} clean").format(clean=clean, all=STROKES)
    return _("{clean} of the {played} played clean").format(clean=clean, played=played)


def told(marks: playable_range.Marks) -> str:
    """Say which strokes were not clean, which way the bow is narrow, and what is missing."""
    said = [
        sentence.format(strokes=formats.listed([str(place + 1) for place, mark in enumerate(marks) if mark == number]))
        for number, sentence in ((2, _("Broken: {strokes}.")), (1, _("Noisy: {strokes}.")))
        if number in marks
    ]
    return " ".join([*said, _missing(marks) if None in marks else _narrow(marks)])


def _missing(marks: playable_range.Marks) -> str:
    places = formats.listed([str(place + 1) for place, mark in enumerate(marks) if mark is None])
    return _("Not played: {strokes}; which way it is narrow shows with all eight.").format(strokes=places)


def _narrow(marks: playable_range.Marks) -> str:
    ways = playable_range.effects([each or playable_range.CLEAN for each in marks]).narrow
    if ways:
        return " ".join(_(_NARROW[way]) for way in ways)
    return _("No way is narrower than the others.") if any(marks) else _("Clean all the way.")
