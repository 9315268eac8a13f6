"""A tier's picture in words and as places, which templates/bench/tier_picture.html draws.

Places along the width are percentages of it, heights are in CSS pixels.
"""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from model.domain.arrays import Floats
from model.domain.vocabulary import HIGHEST, LOWEST
from service.bench.liking_map import LEAST_TOLD, LikingMap
from service.bench.tier_gaps import FEWEST_MARKS, FEWEST_WISHES, LikedSide, TierGaps, WishedSide
from service.bench.tier_picture import MeasuredCopy, TierPicture, TraitSpread
from service.core import formats, phrases
from service.core.language import N_, _
from service.trials import desk_words
from service.web.page_data import Option

HEIGHT, TOP, FOOT = 360, 24, 34
LEFT, RIGHT = 2.0, 98.0
ROWS = 45
"""Into how many rows and columns the region is cut."""
SIDES: Mapping[str, tuple[str, str]] = {
    "mass": (N_("lighter"), N_("heavier")),
    "length": (N_("shorter"), N_("longer")),
    "balance": (N_("balance point nearer to the frog"), N_("heavier towards the tip")),
    "stiffness": (N_("more supple"), N_("stiffer")),
    "speed_of_sound": (N_("slower speed of sound"), N_("faster speed of sound")),
    "loss_factor": (N_("less damped"), N_("more damped")),
    "inertia": (N_("less inertia about the hand"), N_("more inertia about the hand")),
    "swing": (N_("less inertia about the hand"), N_("more inertia about the hand")),
    "brightness": (N_("warmer in tone"), N_("brighter in tone")),
    "damping": (N_("less damped"), N_("more damped")),
    "frequency": (N_("ringing lower"), N_("ringing higher")),
}
"""What less and more of a trait are called; a quantity by the part of its name."""


def side(trait: str, more: float) -> str:
    """Return what less (below 0) or more of a trait or quantity is called; of one without words its name."""
    words = next((words for name, words in SIDES.items() if name in trait), None)
    return _(words[more > 0]) if words else trait


def name_of(quantity: str) -> str:
    """Name a quantity."""
    return _(desk_words.QUANTITIES[quantity])


def value(quantity: str, amount: float, sd: float) -> str:
    """Return a value of a quantity with its unit, to the digits that a deviation of one reading leaves."""
    places = min(max(0, -math.floor(math.log10(sd))), 7)
    unit = desk_words.UNITS[quantity]
    said = formats.number(amount, places)
    return said if unit == "1" else f"{said}{formats.NBSP}{unit}"


def spread(quantity: str, sd: float, reading_sd: float) -> str:
    """Return a standard deviation with its sign; nothing where none is seen beyond that of readings."""
    return f"±{formats.NBSP}{value(quantity, sd, reading_sd)}" if sd > 0.0 else _("none seen")


def options(picture: TierPicture) -> tuple[Option, ...]:
    """Return the quantities that can be chosen."""
    return tuple(Option(name, name_of(name)) for name in picture.spreads)


def facts(picture: TierPicture) -> str:
    """Return the tier's instrument and grade, and how many copies are known."""
    tier = picture.tier
    grade, bows = _("Grade {grade}").format(grade=tier.grade), formats.bows(len(picture.copies))
    return f"{formats.NBSP}· ".join((formats.capital(_(phrases.INSTRUMENTS[tier.instrument])), grade, bows))


# The picture


@dataclass(frozen=True, slots=True)
class PlottedCopy:
    """One bow of the picture. ``kind``: stock, away or sold; ``ring``: it is out of character in what is shown."""

    serial: str
    x: str
    y: float
    kind: str
    ring: bool


def _x(share: float) -> str:
    return f"{LEFT + share * (RIGHT - LEFT):.2f}%"


def _y(share: float) -> float:
    return round(HEIGHT - FOOT - share * (HEIGHT - FOOT - TOP), 1)


def _share(span: tuple[float, float], amount: float) -> float:
    return (amount - span[0]) / (span[1] - span[0])


def plotted(picture: TierPicture) -> Iterator[PlottedCopy]:
    """Yield the bows of the picture, those sold first, so that the others lie over them."""
    spans = [picture.spreads[name].span for name in picture.shown]
    for copy in sorted(picture.drawn, key=lambda each: not each.is_sold):
        across, up = (_share(span, copy.values[name]) for span, name in zip(spans, picture.shown, strict=True))
        ring = bool(set(picture.apart(copy.serial)) & set(picture.shown))
        yield PlottedCopy(copy.serial, _x(across), _y(up), kind(copy), ring)


def kind(copy: MeasuredCopy) -> str:
    """Return where a bow is, as the picture tells it apart: stock, away or sold."""
    return "sold" if copy.is_sold else "stock" if copy.status == "in_stock" else "away"


def place(copy: MeasuredCopy) -> str:
    """Say where a bow is; a dash where it is not known."""
    return _(desk_words.STATUSES[copy.status]) if copy.status else "–"


def ticks(picture: TierPicture) -> dict[str, list[tuple[Any, str]]]:
    """Return the lines of the grid: place and words, across and up."""
    found: dict[str, list[tuple[Any, str]]] = {}
    for way, quantity in zip(("across", "up"), picture.shown, strict=True):
        span = picture.spreads[quantity].span
        step = _round_step((span[1] - span[0]) / 4.0)
        at = [step * count for count in range(math.ceil(span[0] / step), math.floor(span[1] / step) + 1)]
        inside = [each for each in at if 0.04 < _share(span, each) < 0.96]
        place = _x if way == "across" else _y
        found[way] = [(place(_share(span, each)), value(quantity, each, step)) for each in inside]
    return found


def _round_step(step: float) -> float:
    """Return the next of 1, 2, 5, 10 … below a step."""
    power = 10.0 ** math.floor(math.log10(step))
    return power * next(each for each in (5.0, 2.0, 1.0) if each * power <= step * 1.0001)


def region(liking: LikingMap) -> list[dict[str, Any]]:
    """Return the best liked third of what is expected, from the least to the best, as bars."""
    fine = _finer(liking.liking)
    least = float(fine.max()) - (float(fine.max()) - float(fine.min())) / 3.0
    height = (HEIGHT - FOOT - TOP) / ROWS
    bars = []
    for row, inside in enumerate(fine >= least):
        edges = np.flatnonzero(np.diff(np.concatenate([[0], inside.astype(np.int8), [0]])))
        for start, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
            width = (end - start) / ROWS * (RIGHT - LEFT)
            y = round(_y((row + 1) / ROWS), 1)
            bars.append({"x": _x(start / ROWS), "y": y, "width": f"{width:.2f}%", "height": round(height + 0.5, 1)})
    return bars


def _finer(liking: Floats) -> Floats:
    """Return the expected liking in the middle of (ROWS, ROWS) cells, straight between the bows that were asked about."""
    middle, given = (np.arange(ROWS) + 0.5) / ROWS, np.linspace(0.0, 1.0, len(liking))
    across = np.array([np.interp(middle, given, row) for row in liking])
    return np.array([np.interp(middle, given, column) for column in across.T]).T


def description(picture: TierPicture) -> str:
    """Say in words what the picture shows."""
    parts = [
        _("{quantity} from {low} to {high}").format(
            quantity=name_of(name),
            low=value(name, picture.spreads[name].low, picture.spreads[name].reading_sd),
            high=value(name, picture.spreads[name].high, picture.spreads[name].reading_sd),
        )
        for name in picture.shown
    ]
    return _("{count} of the model by two of their bench values: {spans}.").format(
        count=formats.capital(formats.bows(len(picture.drawn))), spans="; ".join(parts)
    )


def missing(picture: TierPicture) -> str:
    """Say of how many bows one of the two was not measured; empty for none."""
    count = len(picture.copies) - len(picture.drawn)
    if not count:
        return ""
    return _("Not drawn, since one of the two was not measured: {bows}.").format(bows=formats.bows(count))


# Words


def spread_words(each: TraitSpread) -> str:
    """Say whether copies differ more within tiers or between them."""
    if each.parts is None:
        return _("too few models measured")
    within, between = each.parts.within**2, each.parts.between**2
    if within + between <= 0.0:
        return _("none beyond readings")
    share = between / (within + between)
    if share < 1.0 / 3.0:
        return _("mostly within models")
    return _("mostly between models") if share > 2.0 / 3.0 else _("as much within as between")


def out_of_character(picture: TierPicture) -> Iterator[tuple[str, str, bool]]:
    """Yield of each bow out of character its serial, how, and whether it is sold."""
    for copy in sorted(picture.copies, key=lambda each: each.is_sold):
        apart = picture.apart(copy.serial)
        if apart:
            yield (
                copy.serial,
                "; ".join(_apart(picture.spreads[name], copy.values[name]) for name in apart),
                copy.is_sold,
            )


def _apart(of: TraitSpread, amount: float) -> str:
    away = amount - of.spread.middle
    sentence = _("{quantity} {value}, {away} above the model’s middle")
    if away < 0:
        sentence = _("{quantity} {value}, {away} below the model’s middle")
    said = value(of.quantity, amount, of.reading_sd)
    return sentence.format(quantity=name_of(of.quantity), value=said, away=value(of.quantity, abs(away), of.reading_sd))


def liked(picture: TierPicture) -> tuple[str, ...]:
    """Say what a player can be expected to like better, in which direction and how surely."""
    liking = picture.liking
    if liking is None:
        return (_("This model is not for the player’s instrument or hold: there is nothing to expect."),)
    ends = {"low": _mark(liking.liking.min()), "high": _mark(liking.liking.max())}
    if not is_told(liking):
        flat = _(
            "What is known so far tells no bow of this picture from another for this player: about {mark} is expected "
            "everywhere. So no region is drawn."
        )
        return (flat.format(mark=_mark(liking.liking.mean())),)
    wanted = formats.listed([*_wanted(picture, liking)])
    said = _("Expected to be liked better: {what}. From {low} to {high} over the picture, of 7.").format(
        what=wanted, **ends
    )
    if not liking.trials:
        return said, _("Few trials stand behind this; it rests on beliefs and on what this player rated.")
    return said, _("It is {chance} that this end is truly liked better than the other.").format(
        chance=formats.chance(liking.chance)
    )


def _mark(expected: float) -> str:
    """Return an expected mark on the scale, beyond whose ends the model's straight lines may lead."""
    return formats.mark(min(max(float(expected), LOWEST), HIGHEST))


def is_told(liking: LikingMap | None) -> bool:
    """Say whether a region is worth drawing."""
    return liking is not None and liking.told >= LEAST_TOLD


def _wanted(picture: TierPicture, liking: LikingMap) -> Iterator[str]:
    across = float(liking.liking[:, -1].mean() - liking.liking[:, 0].mean())
    up = float(liking.liking[-1].mean() - liking.liking[0].mean())
    for quantity, effect in zip(picture.shown, (across, up), strict=True):
        if abs(effect) >= LEAST_TOLD / 2.0:
            yield side(quantity, effect)


def make_next(gaps: TierGaps) -> tuple[str, ...]:
    """Say what to make next, at most two sentences with figures, or that there is too little to say it."""
    found = [_wished(each) for each in gaps.wished if each.is_hole]
    found += [_marked(each) for each in gaps.liked if each.is_hole]
    if found:
        return tuple(found[:2])
    counts = {"wishes": formats.number(gaps.wishes, 0), "marks": formats.number(gaps.marks, 0)}
    if gaps.wishes < FEWEST_WISHES and gaps.marks < 2 * FEWEST_MARKS:
        few = _(
            "Too little to say it by: wishes for another weight or tone so far {wishes}, marks of this model {marks}."
        )
        return (few.format(**counts),)
    none = _(
        "Nothing that stock lacks: neither the wishes ({wishes}) nor the marks of this model ({marks}) ask for it."
    )
    return (none.format(**counts),)


def _wished(hole: WishedSide) -> str:
    sentence = _("Make next: {side}. {asked} of {answered} players who spoke of it wished for that.")
    told = {"asked": formats.capital(formats.counted(hole.asked)), "answered": formats.counted(hole.answered)}
    return f"{sentence.format(side=side(hole.trait, hole.side), **told)} {_there(hole)}"


def _marked(hole: LikedSide) -> str:
    sentence = _(
        "Make next: {side}. Bows of this model on that side were marked {mark} on average, those on the other {other}, from "
        "{marks} marks."
    )
    told = {name: formats.mark(getattr(hole, name)) for name in ("mark", "other")}
    said = sentence.format(side=side(hole.trait, hole.side), marks=formats.number(hole.marks, 0), **told)
    return f"{said} {_there(hole)}"


def _there(hole: WishedSide | LikedSide) -> str:
    if not hole.stock:
        return _("No bow of this model is in stock here.")
    told = {name: formats.number(getattr(hole, name), 0) for name in ("there", "stock")}
    return _("In stock here, clearly on that side of the model’s mean: {there} of {stock}.").format(**told)
