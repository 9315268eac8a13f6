"""One tier of the list in words: its role, how many of its bows to try, what the player made of them, and what more would buy."""

from collections.abc import Mapping
from typing import Any

from model.domain.vocabulary import Role
from service.advice import verdict
from service.advice.differing import differ_words
from service.advice.verdict import ASK, LEAST_SAID, Document, advises, code, main_entry, rests_on_prior
from service.core import formats, phrases
from service.core.language import _, ngettext

Entry = Mapping[str, Any]
LESSER = 0.1
"""From so much less of a chance on it is said that the bows at hand suit less than their model (a judgement)."""


def role_words(entry: Entry, doc: Document) -> str:
    """Return an entry's role in words; the best fit promises no more than the verdict does."""
    role, said = Role(entry["role"]), code(doc)
    named = phrases.NEAREST.get(said, phrases.ROLES[role]) if role is Role.BEST_FIT else phrases.ROLES[role]
    return _(named)


def bring_words(entry: Entry, doc: Document) -> str:
    """Say how many bows of a tier to try; of one without any what it is there for."""
    if not entry["copies"]:
        return _without_bows(entry, doc)
    if advises(doc):
        sentence = ngettext("Try one {model}.", "Try {count} {model}.", entry["copies"])
    else:
        sentence = ngettext(
            "If you compare all the same, play one {model}.",
            "If you compare all the same, play {count} {model}.",
            entry["copies"],
        )
    said = sentence.format(count=formats.counted(entry["copies"]), model=entry["name"])
    differing = differ_words(entry["tier"], entry["copies"], doc["trial"] or {})
    return " ".join(part for part in (said, differing, _lesser_words(entry, doc)) if part)


def _lesser_words(entry: Entry, doc: Document) -> str:
    """Say so where what is at hand is known to suit less than its model: its chances below would else contradict the model's."""
    usual, here = entry["beats_own_bow"], entry.get("best_at_hand")
    whole = (doc["trial"] or {}).get("chance_one_beats_own_bow", 1.0)
    if here is None or rests_on_prior(doc) or (usual - here < LESSER and round(100 * usual) <= round(100 * whole)):
        return ""
    if doc["own_bow"]["state"] == "none":
        sentence = ngettext(
            "The one at hand suits you less, by what is known of it, than the model usually would: the chance that you would "
            "call it good is {here}, not {usual}.",
            "The {count} at hand suit you less, by what is known of them, than the model usually would: the chance that you "
            "would call the best of them good is {here}, not {usual}.",
            entry["at_hand"],
        )
    else:
        sentence = ngettext(
            "The one at hand suits you less, by what is known of it, than the model usually would: the chance that you like "
            "it better than your own bow is {here}, not {usual}.",
            "The {count} at hand suit you less, by what is known of them, than the model usually would: the chance that you "
            "like the best of them better than your own bow is {here}, not {usual}.",
            entry["at_hand"],
        )
    count = formats.counted(entry["at_hand"])
    return sentence.format(count=count, here=formats.percent(here), usual=formats.percent(usual))


def _without_bows(entry: Entry, doc: Document) -> str:
    if code(doc) == ASK:
        return _to_be_asked_for(entry, doc)
    if entry["role"] == Role.STEP_UP:
        sentence = _("Ask for {model} if the others leave you wanting more.")
    elif entry.get("at_hand") == 0:
        sentence = _("No {model} is here today: ask for one if you would like to compare.")
    else:
        sentence = _("Ask for {model} if you would like to compare.")
    return sentence.format(model=entry["name"])


def _to_be_asked_for(entry: Entry, doc: Document) -> str:
    """Say where one can be had; where all that are here were played and not liked, that first."""
    at_workshop, at_hand = at_the_workshop(entry, doc), entry.get("at_hand") or 0
    here = [told["copy"] for told in doc.get("tried", ()) if told["tier"] == entry["tier"]]
    disliked = bool(at_hand) and sum(copy in verdict.rejected(doc) for copy in here) >= at_hand
    if at_workshop and disliked:
        sentence = ngettext(
            "Of {model} what is here was not to your liking, but one more is at the workshop: ask for it.",
            "Of {model} what is here was not to your liking, but {count} more are at the workshop: ask for them.",
            at_workshop,
        )
    elif at_workshop:
        sentence = ngettext(
            "One {model} is at the workshop: ask for it.",
            "There are {count} {model} at the workshop: ask for them.",
            at_workshop,
        )
    elif disliked:
        sentence = ngettext(
            "The one {model} here was not to your liking: ask for another.",
            "None of the {count} {model} here was to your liking: ask for another.",
            at_hand,
        )
    else:
        sentence = _("Ask for {model}.")
    return sentence.format(model=entry["name"], count=formats.counted(at_workshop or at_hand))


def at_the_workshop(entry: Entry, doc: Document) -> int:
    """Return how many bows of a tier the workshop has."""
    places = (doc.get("verdict") or {}).get("elsewhere", ())
    return sum(int(place["count"]) for place in places if place["tier"] == entry["tier"])


def above_budget(entry: Entry, doc: Document) -> str | None:
    """Say by how much a tier is dearer than the budget, in the budget's own currency; None where it is not."""
    budget = doc["answers"].get("budget")
    if not budget or budget["currency"] != entry["currency"] or entry["price"] <= budget["amount"]:
        return None
    excess = formats.money(entry["price"] - budget["amount"], entry["currency"])
    return _("It is {over} above your budget.").format(over=excess)


def tried_here(entry: Entry, doc: Document) -> list[str]:
    """Say what the player gave the bows of this tier that were played.

    Nothing of which bow comes again: players are told no serial that is brought, or that is at hand.
    """
    sentence = _("You gave {copy} {mark} of 7, and that counted.")
    return [
        sentence.format(copy=told["copy"], mark=formats.mark(told["mark"]))
        for told in doc.get("tried", ())
        if told["tier"] == entry["tier"]
    ]


def tried_besides(doc: Document) -> list[str]:
    """Say what the player gave the bows of tiers that are not in the list."""
    listed = {entry["tier"] for entry in doc["shortlist"]}
    sentence = _("You gave {copy}, a {model}, {mark} of 7, and that counted.")
    return [
        sentence.format(copy=told["copy"], model=told["name"], mark=formats.mark(told["mark"]))
        for told in doc.get("tried", ())
        if told["tier"] not in listed
    ]


def what_more_buys(doc: Document) -> str:
    """Say what so much more than the best fit's price would buy; empty where nothing is told of it."""
    more = doc.get("more")
    base = main_entry(doc)
    if not more or base is None:
        return ""
    values = {
        "amount": formats.money(more["amount"], more["currency"]),
        "best": base["name"],
        "model": more["name"] or "",
    }
    if more["tier"] is None or more["points"] < LEAST_SAID:
        return _("For {amount} more than {best} we know of nothing that you would like better.").format(**values)
    if rests_on_prior(doc):
        return _(
            "For {amount} more than {best} there is {model}, which you would probably like a little better."
        ).format(**values)
    return _(
        "For up to {amount} more than {best} there is {model}, which you would probably like {points} points better on the "
        "scale from 1 to 7."
    ).format(points=formats.number(more["points"]), **values)
