"""What the chosen bows promise, in words: the composing page says it, and says it anew when a bow is swapped."""

from model.domain.vocabulary import Basis
from service.advice.verdict import ASK, CURIOUS, KEEP, TRIAL, chance_words, code, elsewhere, what_changes_it
from service.core import formats
from service.core.language import _, ngettext
from service.trials.composing import BowChoice, Proposal

LEAST_TOLD = 0.05
"""Points below which a gain would be told as 0.0."""


def rests_on_prior(proposal: Proposal) -> bool:
    """Say whether so few trials stand behind it that no percentage is shown."""
    return proposal.basis == Basis.PRIOR


def promise(proposal: Proposal, chosen: int) -> str:
    """Say how likely one of exactly the chosen bows beats the own bow."""
    if not chosen or proposal.chance is None:
        return _("No bow is chosen yet.")
    said = chance_words(proposal.chance, proposal.document)
    if proposal.document["own_bow"]["state"] == "none":
        sentence = ngettext(
            "It is {chance} that the player would call this bow good.",
            "It is {chance} that the player would call at least one of these {bows} good.",
            chosen,
        )
    else:
        sentence = ngettext(
            "It is {chance} that the player likes this bow better than the own one.",
            "It is {chance} that the player likes at least one of these {bows} better than the own one.",
            chosen,
        )
    return sentence.format(bows=formats.bows(chosen), chance=said)


def verdict(proposal: Proposal) -> str:
    """Say what is advised, of the bows that can be had on these days; empty for an advice without a verdict."""
    doc = proposal.document
    if doc.get("verdict") is None:
        return ""
    none = doc["own_bow"]["state"] == "none"
    said = {
        TRIAL: _("The advice: worth a trial."),
        CURIOUS: _("The advice: worth getting to know.")
        if none
        else _("The advice: worth a try if the player is curious."),
        KEEP: _("The advice: the own bow is hard to better with what can be had."),
        ASK: _("The advice: nothing suitable can be had on these days."),
    }[code(doc)]
    changed = what_changes_it(doc) if code(doc) == KEEP else ""
    sentence = elsewhere(doc, beside_list=False) if code(doc) in (KEEP, ASK) else ""
    by_hand = _("Other bows can be ticked by hand.") if code(doc) == ASK and proposal.bows else ""
    return " ".join(part for part in (said, changed, sentence, by_hand) if part)


def against_advised(proposal: Proposal) -> str:
    """Say what the advised bows promise, where others are chosen; empty where they are the advised ones."""
    chosen = {bow.copy for bow in proposal.bows if bow.chosen}
    advised = next((row for row in proposal.by_copies if row.advised), None)
    if advised is None or not chosen or chosen == set(proposal.recommended):
        return ""
    said = chance_words(advised.chance, proposal.document)
    return _("With the advised bows ({bows}) it is {chance}.").format(
        bows=formats.listed(proposal.recommended), chance=said
    )


def gain(proposal: Proposal, chosen: int) -> str:
    """Say what is won on average; empty while the prior speaks, nothing is chosen, or there is no own bow to win against."""
    none = proposal.document["own_bow"]["state"] == "none"
    if not chosen or proposal.gain is None or rests_on_prior(proposal) or none:
        return ""
    if proposal.gain < LEAST_TOLD:
        return _(
            "On average nothing is won against the own bow: a bow may be rated high by chance and please less later."
        )
    return _(
        "On average the bow taken home is {points} points better than the own one, on the scale from 1 to 7."
    ).format(points=formats.number(proposal.gain))


def length(proposal: Proposal, chosen: int) -> str:
    """Say how long the trial takes."""
    if not chosen:
        return ""
    return _("It takes {runs} plays and about {minutes}.").format(
        runs=proposal.runs, minutes=formats.minutes(proposal.minutes)
    )


def expected(bow: BowChoice) -> str:
    """Say what mark a bow can be expected to get."""
    return _("{expected} expected, {interval}").format(
        expected=formats.number(bow.expected), interval=formats.interval(bow.low, bow.high)
    )


def price(bow: BowChoice) -> str:
    """Return a bow's price, words where it has none."""
    if bow.price is None or bow.currency is None:
        return _("no price")
    return formats.money(bow.price, bow.currency)
