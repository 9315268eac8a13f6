"""The composing page's context: who it is for, what the chosen bows promise, which bows there are, when and where."""

from collections.abc import Mapping, Sequence
from typing import Any

from model.domain.vocabulary import Basis, Instrument
from service.advice import interval_pictures
from service.advice.shortlist import bow_step
from service.advice.verdict import ASK, CURIOUS, KEEP, TRIAL, chance_words, code, elsewhere, what_changes_it
from service.core import formats
from service.core.language import _, ngettext
from service.questionnaire import tried_fields
from service.questionnaire.asking import TriedBow, tried_bow
from service.questionnaire.choices import MINUTES, offered
from service.trials import desk_words
from service.trials.composing import BowChoice, Proposal
from service.web.desk_forms import options, plain_options
from service.web.page_data import AxisLabel, Option

LEAST_TOLD = 0.05
"""Points below which a gain would be told as 0.0."""
BUDGETS = (500, 1000, 2000, 4000, 8000)
"""Amounts that are offered to a walk-in beside 'no limit' and an amount of their own."""


def effect(proposal: Proposal) -> dict[str, Any]:
    """Say by name what the chosen bows promise, and the verdict on the advised ones.

    ``steps``: the best case of 1 to 6 bows; ``in_words`` while it holds no figures.
    """
    chosen = sum(bow.chosen for bow in proposal.bows)
    prior = rests_on_prior(proposal)
    say = formats.chance_word if prior else formats.percent
    told = (gain(proposal, chosen), length(proposal, chosen))
    return {
        "promise": promise(proposal, chosen),
        "verdict": verdict(proposal),
        "more": list(filter(None, (against_advised(proposal), *told))),
        "steps": [bow_step(row.copies, row.bows, say(row.chance), row.advised) for row in proposal.by_copies],
        "in_words": prior,
        "lacking": proposal.lacking,
        "notes": proposal.notes,
    }


place = interval_pictures.place
capital, figure = formats.capital, formats.number
"""Words and places that the template asks for, of one bow."""
AT_ONCE = 6
"""So many bows are shown; the rest of them behind a fold, so that composing fits two screens. All that are chosen are shown."""


def shown_at_once(bows: Sequence[BowChoice]) -> int:
    """Return how many bows are shown before the fold."""
    return max(AT_ONCE, sum(bow.chosen for bow in bows))


def how_many_more(bows: Sequence[BowChoice]) -> str:
    """Say how many bows are behind the fold."""
    count = len(bows) - shown_at_once(bows)
    return ngettext("One more bow of the stock", "{count} more bows of the stock", count).format(
        count=formats.capital(formats.counted(count))
    )


def own_bow(proposal: Proposal) -> AxisLabel | None:
    """Return where the own bow lies across the picture, and what is written there; None where that is not known."""
    own = proposal.document["own_bow"]
    if own.get("level") is None:
        return None
    said = _("own bow: {level}") if own["state"] == "rated" else _("an own bow, on average: {level}")
    said = _("a good bow: {level}") if own["state"] == "none" else said
    label = said.format(level=formats.number(own["level"]))
    return AxisLabel(place(own["level"]), label, interval_pictures.anchor(own["level"], near=1.5))


def tried_rows(body: Mapping[str, Any] | None, fields: Mapping[str, list[str]]) -> tuple[TriedBow, ...]:
    """Return the rows of bows that a walk-in played here, with room for one more."""
    instrument = Instrument((body or {}).get("instrument", Instrument.VIOLIN))
    rows = tried_fields.rows(tried_fields.laid_out(fields, blank=True))
    return tuple(tried_bow(row, instrument, fields) for row in rows)


def instruments() -> tuple[Option, ...]:
    """Return the instruments, the double bass once for each hold: one tap for both."""
    names = {
        "violin": _("Violin"),
        "viola": _("Viola"),
        "cello": _("Cello"),
        "double_bass german": _("Double bass, German hold"),
        "double_bass french": _("Double bass, French hold"),
    }
    return tuple(Option(value, label) for value, label in names.items())


def budgets(currency: str) -> tuple[Option, ...]:
    """Return the budgets that are one tap away."""
    return (Option("", _("no limit")), *(Option(str(amount), formats.money(amount, currency)) for amount in BUDGETS))


def minutes(chosen: str) -> tuple[Option, ...]:
    """Return the lengths of a trial."""
    return offered(MINUTES, chosen, _("{number} minutes"))


def places() -> tuple[Option, ...]:
    """Return where a trial may be."""
    return plain_options({place: label for place, (label, _hint) in desk_words.PLACES.items()})


def blindings() -> tuple[Option, ...]:
    """Return how much the player may know."""
    return options(desk_words.BLINDINGS)


def may_help() -> tuple[Option, ...]:
    """Return what the player may say of whether the ratings help others."""
    return (Option("yes", _("yes, they may")), Option("no", _("no, this trial only")), Option("", _("the tablet asks")))


def repeats() -> tuple[Option, ...]:
    """Return whether a bow is hidden a second time."""
    return (
        Option("", _("by the rule"), _("in at least one trial of three")),
        Option("yes", _("yes"), _("one bow comes again under another letter")),
        Option("no", _("no")),
    )


# What the chosen bows promise


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


def likely_marks(bow: BowChoice, in_words: bool) -> str:
    """Return the marks a bow may get, and their chance unless all is said in words."""
    marks = formats.interval(bow.low, bow.high)
    return marks if in_words else f"{marks} ({formats.percent(bow.level)})"


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
