"""The context of the page that says what each answer did to an advice."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy.orm import Session

from service.advice import advise, influence_words
from service.core.errors import Invalid
from service.core.language import _
from service.questionnaire import answer_summary
from service.web.page_data import Look, Page


@dataclass(frozen=True, slots=True)
class Did:
    """What one answer did, or several alike."""

    answers: tuple[str, ...]
    did: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WhyPage(Page):
    """The page; ``answers``: the quiet line above the heading, ``back``: where the advice is."""

    answers: str
    lead: str
    lines: tuple[Did, ...]
    back: str


def explained(session: Session, address: str) -> list[dict[str, Any]] | None:
    """Return what each answer did; None where a dealer or bow that the answers name is gone, so that it cannot be worked out."""
    try:
        return advise.influence(session, address)
    except Invalid:
        return None


def page_of(
    doc: Mapping[str, Any],
    told: Sequence[Mapping[str, Any]] | None,
    *,
    back: str,
    dealer: str | None,
    demo: bool,
    look: Look | None = None,
) -> WhyPage:
    """Return the page of a stored advice.

    Parameters
    ----------
    told : what each answer did, see ``service.advice.advise.influence``; None where it cannot be worked out any more.
    """
    return WhyPage(
        title=_("What your answers did"),
        dealer=dealer,
        demo=demo,
        look=look,
        answers=answer_summary.quiet_line(doc["answers"]),
        lead=_lead(told),
        lines=tuple(_lines(told or (), doc)),
        back=back,
    )


def _lines(told: Sequence[Mapping[str, Any]], doc: Mapping[str, Any]) -> Iterator[Did]:
    """Give what the answers did, those that changed something first; the others together, so that nothing is said twice."""
    same = [one for one in told if influence_words.is_same(one)]
    unread = [one for one in told if not one["reads"]]
    did: dict[str, list[str]] = {}
    for one in told:
        if one["reads"] and one["changes"]:
            did.setdefault(influence_words.what_it_did(one, doc), []).append(influence_words.answer_words(one))
    yield from (Did(tuple(answers), sentence) for sentence, answers in did.items())
    for alike, reads in ((same, True), (unread, False)):
        if alike:
            names = tuple(influence_words.answer_words(one) for one in alike)
            yield Did(names, influence_words.together(len(names), reads=reads))


def _lead(told: Sequence[Mapping[str, Any]] | None) -> str:
    if told is None:
        return _("A bow that your answers name is no longer here, so this cannot be worked out any more.")
    if not told:
        return _("You gave no answer that could be left out.")
    return _("What each of your answers changed: what the advice would be without it, with the bows of today.")
