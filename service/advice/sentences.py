"""From the stored advice document to sentences: what it rests on, and how sure it is. An honest colleague's voice.

While the basis is the prior, no sentence holds a percentage: the figures would look surer than they are.
"""

from model.domain.vocabulary import Criterion, Hold, Instrument
from service.advice import verdict
from service.advice.verdict import ASK, CURIOUS, KEEP, Document, code, main_entry, rests_on_prior
from service.core import formats, phrases
from service.core.language import _, ngettext

WIDE = 4.0
"""Points between the ends of the interval from which on it counts as wide: two thirds of the scale from 1 to 7."""


def players(doc: Document) -> str:
    """Return whose trials are counted: 'violinists', 'bass players with the German hold'."""
    answers = doc["answers"]
    hold = answers.get("hold")
    return _(phrases.PLAYERS_BY_HOLD[Hold(hold)] if hold else phrases.PLAYERS[Instrument(answers["instrument"])])


def model_is() -> str:
    """Say what a model is, where the word first stands."""
    return _("Bows of one model share their price and their purpose; each of them is a little different.")


def lead(doc: Document) -> str:
    """Return the paragraph under the verdict: how likely it is, what was asked for, and what the answer rests on."""
    if not doc["shortlist"]:
        return _("Change the budget or another answer, or ask us: we may know of a bow that is not listed.")
    return " ".join(part for part in (verdict.behind(doc), ground(doc)) if part)


def ground(doc: Document) -> str:
    """Return what was asked for, and what the answer rests on; empty where there is no answer."""
    if not doc["shortlist"]:
        return ""
    return " ".join(part for part in (_asked_for(doc), _rests_on(doc)) if part)


def _asked_for(doc: Document) -> str:
    wishes = [_(phrases.WISHES[Criterion(name)]) for name in doc["answers"].get("priorities", ())]
    if not wishes:
        return ""
    sentences = {
        1: _("You asked for {first}."),
        2: _("You asked for {first} first, then {second}."),
        3: _("You asked for {first} first, then {second} and {third}."),
    }
    named = dict(zip(("first", "second", "third"), wishes, strict=False))
    return sentences[len(named)].format(**named)


def _rests_on(doc: Document) -> str:
    if any(note["code"] == "beliefs_stand_in" for note in doc["notes"]):
        return _("What trials have taught is not at hand, so this is a first guess.")
    if rests_on_prior(doc):
        return _("Too few trials by {players} are known yet, so this is a first guess.").format(players=players(doc))
    values = {"count": formats.number(doc["model"]["trials"], 0), "players": players(doc)}
    if code(doc) == KEEP:
        sentence = ngettext(
            "From {count} trials by {players} we expect you to like your own bow about as well as this model, or better.",
            "From {count} trials by {players} we expect you to like your own bow about as well as these models, or better.",
            len(doc["shortlist"]),
        )
    elif code(doc) in (CURIOUS, ASK):
        sentence = _("From {count} trials by {players}, {model} comes nearest to what you look for.")
    else:
        sentence = _("From {count} trials by {players} we expect {model} to suit you best.")
    first = main_entry(doc)
    return sentence.format(model=first["name"] if first else "", **values)


def sureness(doc: Document) -> str:
    """Say how sure the advice is; with the number of trials behind it where that is few."""
    count = doc["model"]["trials"]
    values = {"count": formats.number(count, 0), "players": players(doc)}
    if rests_on_prior(doc):
        if not count:
            return _(
                "Not sure at all yet: no trial by {players} stands behind this. It rests on how models are commonly "
                "graded."
            ).format(**values)
        return ngettext(
            "Not sure at all yet: {count} trial by {players} stands behind this, too little to give figures. It rests mostly on "
            "how models are commonly graded.",
            "Not sure at all yet: {count} trials by {players} stand behind this, too few to give figures. It rests mostly on "
            "how models are commonly graded.",
            count,
        ).format(**values)
    return _spread(doc)


def _spread(doc: Document) -> str:
    first = main_entry(doc)
    if first is None:
        return ""
    fit = first["fit"]
    count = doc["model"]["trials"]
    values = {"name": first["name"], "interval": formats.interval(fit["low"], fit["high"])}
    if is_wide(doc):
        return ngettext(
            "{count} trial by {players} is little for answers like yours: your mark for a bow of the model {name} may fall "
            "anywhere within {interval}, on the scale from 1 to 7.",
            "{count} trials by {players} are few for answers like yours: your mark for a bow of the model {name} may fall "
            "anywhere within {interval}, on the scale from 1 to 7.",
            count,
        ).format(count=formats.number(count, 0), players=players(doc), **values)
    return _(
        "Single bows differ: with a chance of {chance}, your mark for a bow of the model {name} would be within {interval}, on "
        "the scale from 1 to 7."
    ).format(chance=formats.percent(fit["level"]), **values)


def is_wide(doc: Document) -> bool:
    """Say whether the best entry's interval is so wide that few trials like the player's can stand behind it."""
    if any(note["code"] == "few_trials" for note in doc["notes"]):
        return True
    first = main_entry(doc)
    return first is not None and bool(first["fit"]["high"] - first["fit"]["low"] >= WIDE)
