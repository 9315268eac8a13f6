"""The words for what the fitted model has learnt: its parts, its starting values, and how surely a thing is known."""

from collections.abc import Sequence

from model.domain.vocabulary import Instrument, Setting
from model.preference import VARIANCE_PARTS
from service.core import formats, phrases
from service.core.formats import NBSP
from service.core.language import N_, _, ngettext

PART_NAMES = {"player": N_("Player"), "copy": N_("Bow"), "match": N_("Match"), "repeat": N_("Repeat")}
PART_MEANINGS = {
    "player": N_("some players give more to every bow, or to one kind of bow"),
    "copy": N_("this bow is better or worse for everyone who plays it"),
    "match": N_("this bow suits this player on this instrument, or does not"),
    "repeat": N_("the same player would rate the same bow otherwise another time"),
}
STANDINGS = {"in_use": N_("in use"), "candidate": N_("candidate"), "earlier": N_("earlier")}
STATUSES = {
    "in_stock": N_("in stock"),
    "reserved": N_("reserved"),
    "on_trial": N_("on trial"),
    "in_transit": N_("in transit"),
    "in_repair": N_("in repair"),
    "sold": N_("sold"),
    "withdrawn": N_("withdrawn"),
}
BEGINNINGS = {
    "level": N_("Level of the middle grade"),
    "grade": N_("What one grade more adds"),
    "tier": N_("How far models lie off the line of the grades"),
    "player": N_("How far players differ in leniency"),
    "copy": N_("How far bows of a model differ"),
    "match": N_("How far the match of bow and player goes"),
    "repeat": N_("How far a repeated rating strays"),
    "own": N_("How players rate the bow they own"),
    "correlation": N_("How closely two criteria go together (0 to 1)"),
    "profile": N_("How much a point more at what a player cares about adds to the whole"),
}
_TASTE = "taste for "
_TASTES = {
    "grade": N_("How far players differ in what a grade more is worth"),
    "mass": N_("How far players differ in what more mass is worth"),
    "balance": N_("How far players differ in where they want the balance point"),
    "brightness": N_("How far players differ in what brightness is worth"),
}
_COLUMNS = {
    "hold french": N_("French hold instead of German"),
    "position": N_("played late instead of midway"),
    "first bow": N_("played first"),
    "masked": N_("seen, its stamp covered"),
    "open": N_("seen with its name"),
    "masked x grade": N_("each grade more, its stamp covered"),
    "open x grade": N_("each grade more, seen with its name"),
    "mass": N_("heavier by the usual spread"),
    "balance": N_("balance point further out by the usual spread"),
    "brightness": N_("brighter by the bench, by the usual spread"),
    "stiffness": N_("stiffer by the usual spread"),
    "swing": N_("heavier to swing by the usual spread"),
    "frequency": N_("ringing higher by the usual spread"),
    "damping": N_("more damped by the usual spread"),
    "length": N_("longer by the usual spread"),
    "wish_mass x mass": N_("heavier, where heavier is wished for"),
    "wish_tone x brightness": N_("brighter, where brighter is wished for"),
}
CHOICE_TERMS = {
    "overall": N_("One point more as a whole"),
    "priorities": N_("One point more on the priorities"),
    "price": N_("A price 2.7 times as high"),
    "own": N_("Being the own bow"),
}
"""The terms of the choice; 2.7 is e, the base of the logarithm that prices are taken in."""


def signed(value: float, decimals: int = 1) -> str:
    """Return a difference with its sign: '+0.4', '−1.2', '0.0'."""
    text = formats.number(abs(value), decimals)
    if round(abs(value), decimals) == 0:
        return text
    return ("+" if value > 0 else "−") + text


def held(text: str) -> str:
    """Return the text so that no line breaks within it."""
    return text.replace(" ", NBSP)


def between(low: float, high: float, decimals: int = 1) -> str:
    """Return an interval of differences: '−0.1 to +0.8'."""
    return held(_("{low} to {high}").format(low=signed(low, decimals), high=signed(high, decimals)))


def more_or_less(value: float, deviation: float | None, decimals: int = 2) -> str:
    """Return a value with its standard deviation where there is one: '4.40 ± 0.50'."""
    text = formats.number(value, decimals).replace("-", "−")
    return text if deviation is None else f"{text}{NBSP}±{NBSP}{formats.number(deviation, decimals)}"


def signed_with(value: float, error: float | None, decimals: int = 2) -> str:
    """Return a difference with its standard error where there is one: '+0.06 ± 0.03'."""
    text = signed(value, decimals)
    return text if error is None else f"{text}{NBSP}±{NBSP}{formats.number(error, decimals)}"


def players(count: int) -> str:
    """Return a number of players: '142 players', 'no players'."""
    if count == 0:
        return _("no players")
    return ngettext("{count} player", "{count} players", count).format(count=formats.number(count, 0))


def ratings(count: int) -> str:
    """Return a number of ratings: '2,305 ratings'."""
    return ngettext("{count} rating", "{count} ratings", count).format(count=formats.number(count, 0))


def shares_told(name: str, shares: Sequence[float]) -> str:
    """Return one bar in words: 'Overall: player 34 %, copy 13 %, …'."""
    parts = ", ".join(
        f"{formats.within(_(PART_NAMES[part]))} {formats.percent(share)}"
        for part, share in zip(VARIANCE_PARTS, shares, strict=True)
    )
    return formats.labelled(name, parts)


def beginning(name: str) -> str:
    """Return what a starting value speaks of."""
    return _(_TASTES[name.removeprefix(_TASTE)] if name.startswith(_TASTE) else BEGINNINGS[name])


def column(name: str) -> str:
    """Return what a column of the design speaks of; every fixed column has its words."""
    if name.startswith("instrument "):
        return _(phrases.INSTRUMENTS[Instrument(name.removeprefix("instrument "))])
    setting = name.removesuffix(" x grade")
    if setting in set(Setting):
        return _("each grade more, setting: {setting}").format(setting=_(phrases.SETTINGS[Setting(setting)]))
    if name not in _COLUMNS:
        return _("higher by the usual spread at the bench: {trait}").format(trait=name)
    return _(_COLUMNS[name])


def choice_term(name: str) -> str:
    """Return what a term of the choice speaks of."""
    return _(CHOICE_TERMS[name])
