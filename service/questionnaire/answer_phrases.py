"""The answers in words, question by question; `questions` says which of these tells which answer. None stands for 'not answered'."""

from collections.abc import Iterable, Mapping
from typing import Any

from model.domain.vocabulary import SCALES, BowKind, Criterion, Hold, Instrument, Place, Setting
from service.core import formats, phrases
from service.core.language import _, ngettext
from service.questionnaire import choices


def listed(parts: Iterable[str]) -> str:
    """Return some words one after the other, the empty ones left out."""
    return ", ".join(filter(None, parts))


def instrument(name: str) -> str:
    """Name an instrument."""
    return _(choices.INSTRUMENTS[Instrument(name)])


def hold(name: str | None) -> str:
    """Name a hold."""
    return _(phrases.HOLDS[Hold(name)]) if name else ""


def strings(count: int | None) -> str:
    """Say how many strings there are."""
    return ngettext("{count} string", "{count} strings", count).format(count=count) if count else ""


def length(millimetres: float | None) -> str:
    """Say how long the strings are."""
    return formats.millimetres(millimetres) if millimetres else ""


def settings(names: Iterable[str]) -> str:
    """Say what is played."""
    return listed(_(phrases.SETTINGS[Setting(name)]) for name in names)


def settings_briefly(names: Iterable[str]) -> str:
    """Say what is played, each part of the one line above the shortlist."""
    return f"{formats.NBSP}\u00b7 ".join(_(phrases.SETTINGS[Setting(name)]) for name in names)


def own_bow(bow: Mapping[str, Any]) -> str:
    """Say that nothing is told of what the own bow is made of."""
    return "" if bow.get("kind") else kind(BowKind.UNKNOWN)


def kind(name: str) -> str:
    """Say what a bow is made of."""
    known = BowKind(name)
    return _(choices.KINDS[known]) if known in choices.KINDS else _("material not known")


def mass(grams: float | None) -> str:
    """Say what a bow weighs."""
    return formats.grams(grams) if grams else ""


def ratings(given: Mapping[str, int]) -> str:
    """Say how a bow was rated."""
    return listed(
        _("{criterion} {rating} of 7").format(criterion=formats.within(_(SCALES[Criterion(name)].name)), rating=rating)
        for name, rating in given.items()
    )


def tried(bows: Iterable[Mapping[str, Any]]) -> str:
    """Name the bows that were played, each with its mark."""
    return listed(_tried_bow(bow) for bow in bows)


def _tried_bow(bow: Mapping[str, Any]) -> str:
    mark = bow["ratings"].get(Criterion.OVERALL)
    if mark is None:
        return str(bow["copy"])
    return _("{copy}: {rating} of 7").format(copy=bow["copy"], rating=mark)


def how_many_tried(bows: Iterable[Mapping[str, Any]]) -> str:
    """Say how many bows were played."""
    count = len(list(bows))
    told = ngettext("one bow played here", "{count} bows played here", count)
    return told.format(count=formats.counted(count)) if count else ""


def priorities(names: Iterable[str]) -> str:
    """Say what matters most."""
    return listed(_(SCALES[Criterion(name)].name) for name in names)


def wish_mass(way: int) -> str:
    """Say which way the weight should go."""
    return {-1: _("lighter"), 0: _("weight does not matter"), 1: _("heavier")}[way]


def wish_tone(way: int) -> str:
    """Say which way the tone should go."""
    return {-1: _("warmer"), 0: _("colour does not matter"), 1: _("brighter")}[way]


def budget(given: Mapping[str, Any]) -> str:
    """Say what would be spent."""
    return formats.money(given["amount"], given["currency"]) if given else ""


def up_to(given: Mapping[str, Any]) -> str:
    """Say what would be spent at most."""
    return _("up to {amount}").format(amount=budget(given)) if given else ""


def stretch(percent: float | None) -> str:
    """Say how far a budget may be stretched."""
    return _("up to {percent} more").format(percent=formats.percent(percent / 100)) if percent else ""


def minutes(count: int | None) -> str:
    """Say how much time there is."""
    return _("about {number} minutes").replace("} ", "}\u00a0").format(number=count) if count else ""


def place(name: str) -> str:
    """Say where bows are tried."""
    text = _(choices.PLACES[Place(name)][0])
    return text[:1].lower() + text[1:]
