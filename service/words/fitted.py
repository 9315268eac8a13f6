"""The words for what the fitted model has learnt: its parts, its starting values, and how surely a thing is known."""

from collections.abc import Sequence

from model.anatomy import PARTS
from model.vocabulary import Instrument, Setting
from service import formats
from service.formats import NBSP
from service.language import N_, _, ngettext
from service.words import phrases

MOST_NAMED = 8
"""So many copies or tiers are named in one sentence; the table has them all."""

PART_NAMES = {
    "player": N_("Player"),
    "copy": N_("Copy"),
    "match": N_("Match"),
    "repeat": N_("Repeat"),
}
PART_MEANINGS = {
    "player": N_("some players give every bow more, others less"),
    "copy": N_("this bow is better or worse for everyone who plays it"),
    "match": N_("this bow suits this player on this instrument, or does not"),
    "repeat": N_("the same player would rate the same bow otherwise another time"),
}
STANDINGS = {
    "in_use": N_("in use"),
    "candidate": N_("candidate"),
    "earlier": N_("earlier"),
}
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
    "tier": N_("How far tiers lie off the line of the grades"),
    "player": N_("How far players differ in leniency"),
    "copy": N_("How far copies of a tier differ"),
    "match": N_("How far the match of copy and player goes"),
    "repeat": N_("How far a repeated rating strays"),
    "own": N_("How players rate the bow they own"),
    "correlation": N_("How closely two criteria go together (0 to 1)"),
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
    if float(text.replace(",", "")) == 0:
        return text
    return ("+" if value > 0 else "−") + text


def between(low: float, high: float, decimals: int = 1) -> str:
    """Return an interval of differences: '−0.1 to +0.8'."""
    return _("{low} to {high}").format(low=signed(low, decimals), high=signed(high, decimals)).replace(" ", NBSP)


def more_or_less(value: float, deviation: float | None, decimals: int = 2) -> str:
    """Return a value with its standard deviation where there is one: '4.40 ± 0.50'."""
    text = formats.number(value, decimals).replace("-", "−")
    return text if deviation is None else f"{text}{NBSP}±{NBSP}{formats.number(deviation, decimals)}"


def players(count: int) -> str:
    """Return a number of players: '142 players'."""
    return ngettext("{count} player", "{count} players", count).format(count=formats.number(count, 0))


def ratings(count: int) -> str:
    """Return a number of ratings: '2,305 ratings'."""
    return ngettext("{count} rating", "{count} ratings", count).format(count=formats.number(count, 0))


def named(names: Sequence[str]) -> str:
    """Return names as a list in a sentence, the many left over counted: 'a, b and 3 more'."""
    if len(names) <= MOST_NAMED:
        return formats.listed(names)
    rest = len(names) - (MOST_NAMED - 1)
    return formats.listed([*names[: MOST_NAMED - 1], _("{count} more").format(count=rest)])


def shares_told(name: str, shares: Sequence[float]) -> str:
    """Return one bar in words: 'Overall: player 34 %, copy 13 %, …'."""
    parts = ", ".join(
        f"{_(PART_NAMES[part]).lower()} {formats.percent(share)}" for part, share in zip(PARTS, shares, strict=True)
    )
    return f"{name}: {parts}"


def column(name: str) -> str:
    """Return what a column of the design speaks of; every fixed column has its words."""
    if name.startswith("instrument "):
        return _(phrases.INSTRUMENTS[Instrument(name.removeprefix("instrument "))])
    setting = name.removesuffix(" x grade")
    if setting in set(Setting):
        return _("each grade more, for {setting}").format(setting=_(phrases.SETTINGS[Setting(setting)]))
    return _(_COLUMNS[name])


def choice_term(name: str) -> str:
    """Return what a term of the choice speaks of."""
    return _(CHOICE_TERMS[name])
