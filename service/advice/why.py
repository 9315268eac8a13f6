"""The context of the page that says what each answer did to an advice."""

from collections.abc import Mapping, Sequence
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
    """One answer, and what it did."""

    answer: str
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
        lines=tuple(
            Did(influence_words.answer_words(one), influence_words.what_it_did(one, doc)) for one in told or ()
        ),
        back=back,
    )


def _lead(told: Sequence[Mapping[str, Any]] | None) -> str:
    if told is None:
        return _("A bow that your answers name is no longer here, so this cannot be worked out any more.")
    if not told:
        return _("You gave no answer that could be left out.")
    return _("Each answer that you gave, and what would be another without it, with the bows of today.")
