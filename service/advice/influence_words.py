"""What each of a player's answers did to the advice: what would be another without it, or that nothing shows it to matter yet."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

from sqlalchemy.orm import Session

from service.advice import advise
from service.advice.verdict import Document, main_entry, rests_on_prior
from service.core import formats
from service.core.errors import InvalidInputError
from service.core.language import N_, _, ngettext
from service.questionnaire.answer_summary import ANSWERS

Told = Mapping[str, Any]

VERDICTS: Mapping[str, str] = {
    "trial": N_("Without it the advice would be: worth a trial."),
    "curious": N_("Without it the advice would be: worth a try if you are curious."),
    "keep": N_("Without it the advice would be: keep your own bow."),
    "ask": N_("Without it the advice would be: nothing suitable is at hand."),
}
_INSTEAD: Mapping[str, str] = {
    "own_bow": N_("The bows would then be compared with a bow such as most players own."),
    "own_bow_ratings": N_("We would then take it that you like your own bow as most players like theirs."),
}
"""What the advice would take in the place of an answer."""


def answer_words(told: Told) -> str:
    """Return the short name of an answer."""
    name = ANSWERS[told["answer"]]
    return _(name)


def what_it_did(told: Told, doc: Document) -> str:
    """Say what one answer did."""
    if not told["reads"]:
        return _("The advice does not depend on it; it helps the adviser to prepare the right bows.")
    said: list[str] = []
    for change in told["changes"]:
        sentence = _CHANGES[change["what"]](change, doc, not said)
        said += [sentence] if sentence else []
    if not said:
        return _("Without it the advice would be the same.")
    instead = _INSTEAD.get(told["answer"])
    return " ".join([*said, *([_(instead)] if instead else [])])


def together(count: int, *, reads: bool) -> str:
    """Say of several answers at once that the advice would be the same without them, or that it does not depend on them."""
    if reads:
        return ngettext(
            "Without it the advice would be the same.", "Without any one of these the advice would be the same.", count
        )
    return ngettext(
        "The advice does not depend on it; it helps the adviser to prepare the right bows.",
        "The advice does not depend on these; they help the adviser to prepare the right bows.",
        count,
    )


def _verdict(change: Told, doc: Document, first: bool) -> str:
    del doc, first  # the verdict is told before anything else
    sentence = VERDICTS.get(change["without"])
    return _(sentence) if sentence else _("Without it there would be nothing to advise.")


def _first_tier(change: Told, doc: Document, first: bool) -> str:
    """Name the tier that would lead; the one that does lead only where the advice as it was given names it too."""
    leads = main_entry(doc)
    values = {"other": change["without"], "model": change["with"]}
    if not change["without"]:
        return ""
    if leads is None or leads["name"] != change["with"]:
        sentence = _("Without it {other} would suit you best.") if first else _("{other} would then suit you best.")
    elif first:
        sentence = _("Without it {other} would suit you best, not {model}.")
    else:
        sentence = _("{other} would then suit you best, not {model}.")
    return sentence.format(**values)


def _bows(change: Told, doc: Document, first: bool) -> str:
    del doc
    if not change["without"]:
        return _("Without it there would be no bow to compare.") if first else ""
    if change["without"] == change["with"]:
        return (
            _("Without it there would be as many bows to compare, but not the same ones.")
            if first
            else _("There would then be as many bows to compare, but not the same ones.")
        )
    if not change["with"]:
        sentence = (
            ngettext(
                "Without it there would be one bow to compare; now there is none.",
                "Without it there would be {count} bows to compare; now there is none.",
                change["without"],
            )
            if first
            else ngettext(
                "There would then be one bow to compare; now there is none.",
                "There would then be {count} bows to compare; now there is none.",
                change["without"],
            )
        )
    else:
        sentence = (
            ngettext(
                "Without it there would be one bow to compare, not {bows}.",
                "Without it there would be {count} bows to compare, not {bows}.",
                change["without"],
            )
            if first
            else ngettext(
                "There would then be one bow to compare, not {bows}.",
                "There would then be {count} bows to compare, not {bows}.",
                change["without"],
            )
        )
    return sentence.format(count=formats.counted(change["without"]), bows=formats.counted(change["with"]))


def _chance(change: Told, doc: Document, first: bool) -> str:
    """Say how likely it would be then; nothing where there are no bows to have a chance on one of the two sides."""
    earlier, later_chance = change["with"], change["without"]
    if not earlier or not later_chance:
        return ""
    if not rests_on_prior(doc):
        sentence = (
            _("Without it the chance of finding a better bow would be {other}, not {chance}.")
            if first
            else _("The chance of finding a better bow would then be {other}, not {chance}.")
        )
        return sentence.format(other=formats.percent(later_chance), chance=formats.percent(earlier))
    if later_chance > earlier:
        return (
            _("Without it a better bow would be likelier to be found.")
            if first
            else _("A better bow would then be likelier to be found.")
        )
    return (
        _("Without it a better bow would be less likely to be found.")
        if first
        else _("A better bow would then be less likely to be found.")
    )


_CHANGES: Mapping[str, Callable[[Told, Document, bool], str]] = {
    "verdict": _verdict,
    "first_tier": _first_tier,
    "bows": _bows,
    "chance": _chance,
}
"""In the order of what is told; each takes whether it is the first sentence, and may have nothing to say."""


def influence(told: Sequence[Told], doc: Document) -> list[dict[str, Any]]:
    """Return what the answers did as the JSON API tells it, each with its sentence."""
    return [{**one, "text": what_it_did(one, doc)} for one in told]


def explained(session: Session, address: str) -> list[dict[str, Any]] | None:
    """Return what each answer did; None where a dealer or bow that the answers name is gone, so that it cannot be worked out."""
    try:
        return advise.influence(session, address)
    except InvalidInputError:
        return None


def lines(told: Sequence[Mapping[str, Any]] | None, doc: Mapping[str, Any]) -> Iterator[tuple[list[str], str]]:
    """Give answers, several alike together, with what they did: those that changed something first, and nothing said twice."""
    told = told or ()
    same = [one for one in told if one["reads"] and not one["changes"]]
    unread = [one for one in told if not one["reads"]]
    did: dict[str, list[str]] = {}
    for one in told:
        if one["reads"] and one["changes"]:
            did.setdefault(what_it_did(one, doc), []).append(answer_words(one))
    for sentence, answers in did.items():
        yield (answers, f"{sentence} {_('This holds of each of them alone.')}" if len(answers) > 1 else sentence)
    for alike, reads in ((same, True), (unread, False)):
        if alike:
            names = [answer_words(one) for one in alike]
            yield (names, together(len(names), reads=reads))


def lead(told: Sequence[Mapping[str, Any]] | None) -> str:
    """Say what stands below; ``told``: what each answer did, None where it cannot be worked out any more."""
    if told is None:
        return _("A bow that your answers name is no longer here, so this cannot be worked out any more.")
    if not told:
        return _("You gave no answer that could be left out.")
    return _("What each of your answers changed: what the advice would be without it, with the bows of today.")
