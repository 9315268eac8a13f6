"""What each answer did to an advice, and the words that its page asks for."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from sqlalchemy.orm import Session

from service.advice import advise, influence_words
from service.core.errors import InvalidInputError
from service.core.language import _


def explained(session: Session, address: str) -> list[dict[str, Any]] | None:
    """Return what each answer did; None where a dealer or bow that the answers name is gone, so that it cannot be worked out."""
    try:
        return advise.influence(session, address)
    except InvalidInputError:
        return None


def lines(told: Sequence[Mapping[str, Any]] | None, doc: Mapping[str, Any]) -> Iterator[tuple[list[str], str]]:
    """Give answers, several alike together, with what they did: those that changed something first, and nothing said twice."""
    told = told or ()
    same = [one for one in told if influence_words.is_same(one)]
    unread = [one for one in told if not one["reads"]]
    did: dict[str, list[str]] = {}
    for one in told:
        if one["reads"] and one["changes"]:
            did.setdefault(influence_words.what_it_did(one, doc), []).append(influence_words.answer_words(one))
    yield from ((answers, sentence) for sentence, answers in did.items())
    for alike, reads in ((same, True), (unread, False)):
        if alike:
            names = [influence_words.answer_words(one) for one in alike]
            yield (names, influence_words.together(len(names), reads=reads))


def lead(told: Sequence[Mapping[str, Any]] | None) -> str:
    """Say what stands below; ``told``: what each answer did, None where it cannot be worked out any more."""
    if told is None:
        return _("A bow that your answers name is no longer here, so this cannot be worked out any more.")
    if not told:
        return _("You gave no answer that could be left out.")
    return _("What each of your answers changed: what the advice would be without it, with the bows of today.")
