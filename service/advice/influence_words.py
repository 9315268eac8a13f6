"""What each of a player's answers did to the advice: what would be another without it, or that nothing shows it to matter yet."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from service.advice.verdict import Document, chance_words
from service.core import formats
from service.core.language import N_, _, ngettext
from service.questionnaire.answer_names import ANSWERS

Told = Mapping[str, Any]


VERDICTS: Mapping[str, str] = {
    "trial": N_("Without it the advice would be: worth a trial."),
    "curious": N_("Without it the advice would be: worth an hour if you are curious."),
    "keep": N_("Without it the advice would be: keep your own bow."),
    "ask": N_("Without it the advice would be: nothing suitable is at hand."),
}


def answer_words(told: Told) -> str:
    """Return the short name of an answer."""
    name = ANSWERS[told["answer"]]
    return _(name)


def what_it_did(told: Told, doc: Document) -> str:
    """Say what one answer did."""
    if not told["reads"]:
        return _("The advice does not depend on it; it helps the adviser to prepare the right bows.")
    if not told["changes"]:
        return _("Nothing yet: past trials do not show that it matters.")
    return " ".join(_CHANGES[change["what"]](change, doc) for change in told["changes"])


def _verdict(change: Told, doc: Document) -> str:
    del doc
    sentence = VERDICTS.get(change["without"])
    return _(sentence) if sentence else _("Without it there would be nothing to advise.")


def _first_tier(change: Told, doc: Document) -> str:
    del doc
    if not change["without"] or not change["with"]:
        return _("Without it another model would come first.")
    return _("Without it {other} would come first, not {model}.").format(other=change["without"], model=change["with"])


def _bows(change: Told, doc: Document) -> str:
    del doc
    if change["without"] == change["with"]:
        return _("Without it other bows would be the ones to compare.")
    return ngettext(
        "Without it there would be one bow to compare, not {bows}.",
        "Without it there would be {count} bows to compare, not {bows}.",
        change["without"],
    ).format(count=formats.counted(change["without"]), bows=formats.counted(change["with"]))


def _chance(change: Told, doc: Document) -> str:
    return _("Without it the chance of finding a better bow would be another: {other}, not {chance}.").format(
        other=chance_words(change["without"], doc), chance=chance_words(change["with"], doc)
    )


_CHANGES: Mapping[str, Callable[[Told, Document], str]] = {
    "verdict": _verdict,
    "first_tier": _first_tier,
    "bows": _bows,
    "chance": _chance,
}


def influence(told: Sequence[Told], doc: Document) -> list[dict[str, Any]]:
    """Return what the answers did as the JSON API tells it, each with its sentence."""
    return [{**one, "text": what_it_did(one, doc)} for one in told]
