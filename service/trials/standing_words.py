"""How a trial stands, in words: what to do next with its reason, the drift, and what the hidden repeat says. By letter only."""

from collections.abc import Callable, Mapping, Sequence

from model.trial import Action, RationaleCode, Recommendation
from service.core import formats
from service.core.language import N_, _, ngettext

NO_DRIFT = 1.0
"""The own bow rated within less than so many points at the end and before is no drift worth a word (one step of the scale)."""
Values = Mapping[str, float]
Name = Callable[[str | None], str]
Chance = Callable[[float], str]


def text(said: Recommendation, name: Name, tier_name: str | None, *, figures: bool = True) -> str:
    """Return the recommendation in plain words with its reason.

    ``name``: gives a bow's letter, or 'the own bow'.
    ``figures``: whether chances are told in percent; not where only the starting beliefs speak.
    """
    chance = formats.chance if figures else formats.chance_word
    parts = [
        _what(said, name, tier_name),
        _why(said.reason.code, said.reason.values, chance),
        _against_marks(said),
        _with_pairs(said),
    ]
    return " ".join(part for part in parts if part)


def bow(letters: Sequence[str]) -> str:
    """Return a bow's name: 'bow C', 'bow C (again as F)'; no letters: 'the own bow'."""
    if not letters:
        return _("the own bow")
    if len(letters) == 1:
        return _("bow {letter}").format(letter=letters[0])
    return _("bow {letter} (again as {others})").format(letter=letters[0], others=formats.listed(letters[1:]))


def _what(said: Recommendation, name: Name, tier_name: str | None) -> str:
    if said.say is Action.GO_ON:
        return _("Go on with the next bow.")
    if said.say is Action.REPLAY:
        one, other = (name(copy) for copy in said.bows)
        return _("Play {one} and {other} again.").format(one=one, other=other)
    if said.say is Action.BRING_MORE:
        sentence = ngettext(
            "Bring one more bow of the model {tier}.", "Bring {copies} more bows of the model {tier}.", said.copies
        )
        return sentence.format(copies=formats.counted(said.copies), tier=tier_name or said.tier or "")
    if said.bows and said.bows[0] is None:
        return _("Stop here: the own bow is the one to stay with.")
    return _("Stop here: {bow} is the one.").format(bow=name(said.bows[0] if said.bows else None))


def _why(code: RationaleCode, values: Values, chance: Chance) -> str:
    """Say why; a reason without a sentence is a mistake of the program and raises ``KeyError``."""
    told = {name: formats.number(values[name]) for name in ("lead", "gain") if name in values}
    told |= {"chance": chance(values["probability"])} if "probability" in values else {}
    if code is RationaleCode.BOWS_TO_COME:
        count = round(values["unplayed"])
        sentence = ngettext(
            "One bow is still to be played; that it is the best is {chance}.",
            "{count} bows are still to be played; that one of them is the best is {chance}.",
            count,
        )
    elif code is RationaleCode.PLAYS_TO_COME:
        count = round(values["plays"])
        sentence = ngettext(
            "One play is left, and that the first so far is the best here is {chance}.",
            "{count} plays are left, and that the first so far is the best here is {chance}.",
            count,
        )
    else:
        count, sentence = 0, _(_REASONS[code])
    return sentence.format(count=formats.capital(formats.counted(count)), **told)


_REASONS: Mapping[RationaleCode, str] = {
    RationaleCode.NOTHING_RATED: N_("Nothing has been rated yet."),
    RationaleCode.TOO_CLOSE: N_("They are too close: {lead} points apart, less than one play can settle."),
    RationaleCode.MORE_MAY_BE_BETTER: N_(
        "A bow not here may well be better: it can be expected to win {gain} points over the best one here."
    ),
    RationaleCode.CLEAR: N_("That it is the best one here is {chance}."),
    RationaleCode.NOTHING_TO_WIN: N_(
        "That it is the best one here is {chance}, and more playing would hardly tell more."
    ),
}


def _against_marks(said: Recommendation) -> str:
    if not said.differs_from_marks:
        return ""
    if said.pairs:
        return _("Another bow has the higher mark so far, but marks and pairs are weighed together.")
    return _("Another bow has the higher mark so far, but a single mark is not trusted that far.")


def _with_pairs(said: Recommendation) -> str:
    """Say that blind pairs are counted in, and that they went the other way where they did."""
    if not said.pairs:
        return ""
    if said.against_pairs:
        sentence = ngettext(
            "One blind pair is counted in: it went to another bow, but the marks weigh more.",
            "{count} blind pairs are counted in: most went to another bow, but the marks weigh more.",
            said.pairs,
        )
    else:
        sentence = ngettext("One blind pair is counted in.", "{count} blind pairs are counted in.", said.pairs)
    return sentence.format(count=formats.capital(formats.counted(said.pairs)))


def drift(points: float | None) -> str | None:
    """Say by how much the own bow was rated otherwise at the end than before; None while it was rated once."""
    if points is None:
        return None
    if abs(points) < NO_DRIFT:
        return _("The own bow was rated the same before and at the end: no drift.")
    if points > 0:
        sentence = _(
            "The own bow was rated {points} higher at the end than before: the scale moved up during the trial."
        )
    else:
        sentence = _(
            "The own bow was rated {points} lower at the end than before: the scale moved down, or the player has tired."
        )
    return sentence.format(points=_points(points))


def repeat(points: float | None) -> str | None:
    """Say how the same bow was rated under its two letters; None while it was not, or none is hidden."""
    if points is None:
        return None
    if points == 0:
        return _("One bow was played twice, unannounced, and got the same mark both times: marks can be relied on.")
    sentence = _(
        "One bow was played twice, unannounced, and its marks are {points} apart: so much a single mark may be off."
    )
    return sentence.format(points=_points(points))


def _points(points: float) -> str:
    count = round(abs(points))
    return ngettext("{count} point", "{count} points", count).format(count=formats.counted(count))
