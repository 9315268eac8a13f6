"""What every step of the form is told; what one step has besides is handed to its template by name."""

from dataclasses import dataclass

from service.questionnaire.asking import Question
from service.web.page_data import FormPage


@dataclass(frozen=True, slots=True, kw_only=True)
class StepPage(FormPage):
    """What every step has.

    ``progress``: '3 of 6, about two minutes left'.
    ``place``: the same two numbers, to be drawn.
    ``notices``: what the reader must know before going on.
    ``first``: True where there is no step to go back to.
    ``questions``: those that are drawn one like the other.
    """

    progress: str
    place: tuple[int, int]
    notices: tuple[str, ...]
    first: bool
    questions: tuple[Question, ...] = ()
