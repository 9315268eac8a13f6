"""Cautions and notes of an advice document as sentences, to the player and, where the desk reads them, of the player."""

from collections.abc import Callable, Mapping
from typing import Any

from model.domain.vocabulary import SCALES, Criterion, Hold, Instrument, Role
from service.advice import verdict
from service.advice.sentences import players
from service.advice.verdict import ASK, Document
from service.core import formats, phrases
from service.core.language import N_, _, ngettext

Values = Mapping[str, Any]
Notes = Mapping[str, str | Callable[[Values, Document], str]]
_OF_TRIALS = frozenset({"limited_by_time", "few_at_hand", "one_bow"})
"""Notes that speak for a trial, or for a larger one: not said where none is advised."""
_OF_BOWS_HERE = frozenset({"by_stock"})
"""Notes on the bows at hand: not said where there are none."""
_OF_STOCK = frozenset({"few_at_hand", "one_bow"})
"""Notes that no more bows can be had: not said where something else ends the case, or where it was not kept what does."""
_OF_SENSIBLE = frozenset({"sensible_price"})
"""Notes on what is called sensible: not said where nothing is."""
_SAID_ELSEWHERE = frozenset({"by_stock", "prior_only", "few_trials", "over_budget"})
"""Notes that a page says where they belong: beside the chances, under how sure it is, in the headline."""


def cautions(doc: Document) -> list[str]:
    """Return the document's cautions as sentences, in its order."""
    return [_(phrases.CAUTIONS[code]) for code in doc["cautions"]]


def notes(doc: Document) -> list[str]:
    """Return the document's notes as sentences to the player, in its order; none that contradicts the verdict."""
    return [sentence(note["code"], note["values"], doc) for note in _said(doc)]


def notes_of_page(doc: Document) -> list[str]:
    """Return the notes that no other part of a page says."""
    told = (note for note in _said(doc) if note["code"] not in _SAID_ELSEWHERE)
    return [sentence(note["code"], note["values"], doc) for note in told]


def of_stock(doc: Document) -> str:
    """Say whose bows the chances are of; empty where it is not known which are at hand."""
    said = (note["values"] for note in _said(doc) if note["code"] == "by_stock")
    return next((sentence("by_stock", values, doc) for values in said), "")


def staff_notes(doc: Document) -> list[str]:
    """Return the document's notes as sentences to the dealer's staff, which speak of the player, where no list of tiers stands."""
    said = [note for note in _said(doc) if note["code"] not in _OF_SENSIBLE]
    return [sentence(note["code"], note["values"], doc, {**NOTES, **STAFF_NOTES}) for note in said]


def sentence(code: str, values: Values, doc: Document, table: Notes | None = None) -> str:
    """Return a note as a sentence: one that only names its values from its text, another from its function."""
    said = (table or NOTES)[code]
    return said(values, doc) if callable(said) else _(said).format(**_in_words(values, doc))


def _in_words(values: Values, doc: Document) -> dict[str, Any]:
    told = {**values, "players": players(doc)}
    if "amount" in values:
        told["amount"] = formats.money(values["amount"], values["currency"])
    if "minutes" in values:
        told["minutes"] = formats.minutes(values["minutes"])
    if "mass_g" in values:
        told["mass"] = formats.grams(values["mass_g"])
    if "trials" in values:
        told["trials"] = formats.trials(values["trials"])
    return told


def _said(doc: Document) -> list[Mapping[str, Any]]:
    unsaid = set() if verdict.advises(doc) else set(_OF_TRIALS)
    if verdict.code(doc) == ASK:
        unsaid |= _OF_BOWS_HERE
    if not _is_all_there_is(doc):
        unsaid |= _OF_STOCK
    if not any(entry["role"] == Role.SENSIBLE for entry in doc["shortlist"]):
        unsaid |= _OF_SENSIBLE
    return [note for note in doc["notes"] if note["code"] not in unsaid]


def _is_all_there_is(doc: Document) -> bool:
    trial = doc["trial"] or {}
    return trial.get("ends") == "stock" and len(trial["by_copies"]) <= trial["copies"]


def _prior_only(values: Values, doc: Document) -> str:
    count = values["trials"]
    if not count:
        return _("No trial by {players} is known so far, so no percentages are given.").format(players=players(doc))
    sentence = ngettext(
        "Only {count} trial by {players} is known so far, too little for percentages.",
        "Only {count} trials by {players} are known so far, too few for percentages.",
        count,
    )
    return sentence.format(count=formats.number(count, 0), players=players(doc))


NO_BOW_FOR = {
    Instrument.VIOLIN: N_("The range holds no bow for the violin."),
    Instrument.VIOLA: N_("The range holds no bow for the viola."),
    Instrument.CELLO: N_("The range holds no bow for the cello."),
    Instrument.DOUBLE_BASS: N_("The range holds no bow for the double bass."),
}
NO_BOW_OF_HOLD = {
    Hold.GERMAN: N_("The range holds no bow for the double bass with the German hold."),
    Hold.FRENCH: N_("The range holds no bow for the double bass with the French hold."),
    Hold.EITHER: N_("The range holds no bow for the double bass with either hold."),
}


def _no_tier(values: Values, _doc: Document) -> str:
    hold = values.get("hold")
    return _(NO_BOW_OF_HOLD[Hold(hold)] if hold else NO_BOW_FOR[Instrument(values["instrument"])])


def _short_of_stock(values: Values, doc: Document) -> str:
    names = {entry["tier"]: entry["name"] for entry in doc["shortlist"]}
    sentence = ngettext(
        "One more bow of the model {tier} would be wanted than is at hand.",
        "{missing} more bows of the model {tier} would be wanted than are at hand.",
        values["missing"],
    )
    missing = formats.capital(formats.counted(values["missing"]))
    return sentence.format(missing=missing, tier=names.get(values["tier"], values["tier"]))


def _one_bow(_values: Values, doc: Document) -> str:
    said = _("Only one bow can be had, and one bow is no comparison.")
    stock_elsewhere = verdict.elsewhere(doc)
    return " ".join((said, stock_elsewhere or _("On a later day there may be more: ask us.")))


def _few_at_hand(values: Values, _doc: Document) -> str:
    return ngettext(
        "Only one bow can be had today; {wanted} would make a fairer comparison.",
        "Only {count} bows can be had today; {wanted} would make a fairer comparison.",
        values["count"],
    ).format(count=formats.counted(values["count"]), wanted=formats.counted(values["count"] + values["missing"]))


def _far_below_budget(values: Values, _doc: Document) -> str:
    if values["dearer"]:
        return _("You need not spend it all: of the dearer bows within your budget we expect you to like none better.")
    if values["by_stock"]:
        return _(
            "Nothing dearer than these, within your budget, is at hand today: ask us if you would like to try one."
        )
    return _("The range holds nothing dearer within your budget.")


def _sensible_price(values: Values, _doc: Document) -> str:
    if values["judgement"]:
        return _(
            "How much the price weighs in the sensible step is our judgement: what players choose is not known yet."
        )
    return _("How much the price weighs in the sensible step is learnt from what players have chosen.")


def _tried_used(values: Values, _doc: Document) -> str:
    return ngettext(
        "Your ratings of the bow that you have tried are kept with this answer only, not as a trial.",
        "Your ratings of the {count} bows that you have tried are kept with this answer only, not as a trial.",
        values["count"],
    ).format(count=formats.counted(values["count"]))


def _priorities_unknown(values: Values, _doc: Document) -> str:
    names = [formats.within(_(SCALES[Criterion(name)].name)) for name in values["criteria"]]
    return _("Nobody has rated {names} yet, so that could not count.").format(names=formats.listed(names))


def _few_outcomes(values: Values, _doc: Document) -> str:
    if not values["outcomes"]:
        return _("How much your priorities weigh beside the whole is a judgement: what players keep is not known yet.")
    return ngettext(
        "How much your priorities weigh beside the whole is mostly a judgement: of one trial only is it known what was kept.",
        "How much your priorities weigh beside the whole is mostly a judgement: of {outcomes} trials only is it known what "
        "was kept.",
        values["outcomes"],
    ).format(outcomes=formats.counted(values["outcomes"]))


def _staff_few_trials(values: Values, doc: Document) -> str:
    count = values["trials"]
    return ngettext(
        "Few trials stand behind this, only {count} by {players} so far.",
        "Few trials stand behind this, only {count} by {players} so far.",
        count,
    ).format(count=formats.number(count, 0), players=players(doc))


def _staff_tried_used(values: Values, _doc: Document) -> str:
    return ngettext(
        "The player’s ratings of a bow played before were used for this proposal.",
        "The player’s ratings of {count} bows played before were used for this proposal.",
        values["count"],
    ).format(count=formats.counted(values["count"]))


def _staff_far_below_budget(values: Values, _doc: Document) -> str:
    if values["dearer"]:
        return _("Dearer bows within the player’s budget are not expected to be liked better.")
    if values["by_stock"]:
        return _("Nothing dearer within the player’s budget is at hand.")
    return _("The range holds nothing dearer within the player’s budget.")


def _staff_few_outcomes(values: Values, _doc: Document) -> str:
    if not values["outcomes"]:
        return _("How much the priorities weigh beside the whole is a judgement: what players keep is not known yet.")
    return ngettext(
        "How much the priorities weigh beside the whole is mostly a judgement: of one trial only is it known what was kept.",
        "How much the priorities weigh beside the whole is mostly a judgement: of {outcomes} trials only is it known what was "
        "kept.",
        values["outcomes"],
    ).format(outcomes=formats.counted(values["outcomes"]))


NOTES: Notes = {
    "model_stands_in": N_(
        "What was learnt last from trials cannot be read just now; this rests on what was known before that."
    ),
    "beliefs_stand_in": N_(
        "What was learnt from trials cannot be read just now; this rests on common knowledge of bows alone."
    ),
    "prior_only": _prior_only,
    "by_maker": N_("What we say of single models comes mostly from their maker so far, not from players."),
    "few_trials": N_("Few trials like yours stand behind this, only {trials} by {players} so far."),
    "currency_only": N_("Nothing is converted: only models priced in {currency} are shown."),
    "no_tier_in_currency": N_(
        "No model that you could play is priced in {currency}; give the budget in another currency, or leave it out."
    ),
    "over_budget": N_("Nothing in the range is within {amount}; the nearest is shown."),
    "no_tier": _no_tier,
    "by_stock": N_("These chances are for the bows that {dealer} has now."),
    "short_of_stock": _short_of_stock,
    "limited_by_time": N_("With more than {minutes} at hand, more bows could be tried."),
    "no_budget": N_("You gave no budget, so the whole range was looked at."),
    "tried_used": _tried_used,
    "own_mass": N_("“Lighter” and “heavier” refer to a bow of {mass}."),
    "priorities_unknown": _priorities_unknown,
    "few_outcomes": _few_outcomes,
    "unrated_own_bow": N_(
        "You did not rate your own bow, so we took it that you like it as much as players commonly like theirs."
    ),
    "one_bow": _one_bow,
    "few_at_hand": _few_at_hand,
    "beyond_budget": N_("Nothing that can be had is within {amount}; what is shown lies a little above it."),
    "far_below_budget": _far_below_budget,
    "sensible_price": _sensible_price,
}
"""A text or a function a code; a document's code without one is a mistake of the program and raises ``KeyError``."""

STAFF_NOTES: Notes = {
    "few_trials": _staff_few_trials,
    "no_tier_in_currency": N_("No model that this player could play is priced in {currency}."),
    "no_budget": N_("The player gave no budget, so the whole range was looked at."),
    "far_below_budget": _staff_far_below_budget,
    "tried_used": _staff_tried_used,
    "few_outcomes": _staff_few_outcomes,
    "unrated_own_bow": N_(
        "The player did not rate the own bow, so we took it that it is liked as much as players commonly like theirs."
    ),
}
"""Those of the notes that speak to the player, as the desk says them."""
