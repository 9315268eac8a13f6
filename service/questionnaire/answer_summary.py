"""The answers in words: line by line to be checked, and as one quiet line above the shortlist. `questions` declares both."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from service.core import formats
from service.core.language import N_, _
from service.questionnaire import answer_phrases
from service.questionnaire.declared import MISSING, Declared
from service.questionnaire.questions import QUESTIONS
from service.questionnaire.steps import in_order

Body = Mapping[str, Any]
ANSWERS: Mapping[str, str] = {
    "settings": N_("Where and what you play"),
    "priorities": N_("What matters most to you"),
    "wish_mass": N_("Lighter or heavier"),
    "wish_tone": N_("Warmer or brighter"),
    "own_bow": N_("That you have no bow"),
    "own_bow_ratings": N_("Your marks for your own bow"),
    "own_bow_mass": N_("The weight of your own bow"),
    "tried": N_("The bows you have played"),
    "budget": N_("Your budget"),
    "minutes": N_("Your time"),
    "place": N_("In the shop or by post"),
    **{each.code: each.asked.adviser for each in QUESTIONS if each.asked.adviser},
}
"""A short name for each answer; every answer that the advice may tell of has one."""


@dataclass(frozen=True, slots=True)
class AnswerLine:
    """One question's short name, the answer in words, and the step to change it in."""

    question: str
    answer: str
    step: str


def lines(body: Body) -> tuple[AnswerLine, ...]:
    """Return every answer in words, 'not answered' where there is none. ``body``: the answers as the API's body."""
    told: dict[str, list[Declared]] = {}
    for question in in_order():
        if question.asked.line:
            told.setdefault(question.asked.line, []).append(question)
    return tuple(_lines(told, body))


def _lines(told: Mapping[str, list[Declared]], body: Body) -> Iterator[AnswerLine]:
    for line, questions in told.items():
        answer = answer_phrases.listed(_said(question, body) for question in questions)
        if answer or not questions[0].asked.silent:
            yield AnswerLine(_(line), answer or _("not answered"), questions[0].asked.step)


def _said(question: Declared, body: Body) -> str:
    value, asked = question.value(body), question.asked
    if value is MISSING or asked.say is None:
        return ""
    if value is None:
        return _(asked.none) if asked.none else ""
    return asked.say(value)


def tried(body: Body) -> str:
    """Return the bows that were named as played, each with its mark; empty where none is."""
    return answer_phrases.tried(body.get("tried", ()))


def quiet_line(body: Body) -> str:
    """Return the answers that a shortlist rests on, in one line."""
    said = [
        question.asked.brief(value)
        for question in in_order()
        if question.asked.brief and (value := question.value(body)) not in (MISSING, None)
    ]
    return f"{formats.NBSP}\u00b7 ".join(filter(None, said))
