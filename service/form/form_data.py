"""What each page of the form is told: one dataclass a page, read by the template of the same name."""

from dataclasses import dataclass

from service.questionnaire.asking import Question, TriedBow
from service.questionnaire.choices import ScaleWords
from service.web.page_data import Fault, Option, Page, Typed


@dataclass(frozen=True, slots=True, kw_only=True)
class StartPage(Page):
    """The page a player arrives at."""

    slug: str
    notice: str
    csrf: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StepPage(Page):
    """What every step has.

    Attributes
    ----------
    progress : '3 of 6, about two minutes left'.
    notices : what the reader must know before going on.
    action : where the answers are posted.
    csrf : token bound to the draft's address.
    first : True where there is no step to go back to.
    questions : those that are drawn one like the other.
    """

    progress: str
    notices: tuple[str, ...]
    action: str
    csrf: str
    first: bool
    typed: Typed
    faults: tuple[Fault, ...]
    questions: tuple[Question, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnBowPage(StepPage):
    """The own bow; ``scales`` are the rows that lead for the instrument.

    ``asks_tried``: bows played here may be named on the page beside; ``tried``: those that are, in words.
    """

    scales: tuple[ScaleWords, ...]
    asks_tried: bool
    tried: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TriedPage(StepPage):
    """Bows played here already, a row each; ``may_add``: there is room for one more."""

    bows: tuple[TriedBow, ...]
    may_add: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class WishesPage(StepPage):
    """Priorities and wishes; ``criteria`` may be priorities."""

    criteria: tuple[Option, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetPage(StepPage):
    """Budget and trial; ``currencies`` that something is priced in."""

    currencies: tuple[Option, ...]


@dataclass(frozen=True, slots=True)
class Answered:
    """One line of the answers to be checked, and the step to change it in."""

    question: str
    answer: str
    step: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ContactPage(StepPage):
    """The last step: contact, and the answers to be checked; ``privacy`` leads to what is kept and why."""

    answers: tuple[Answered, ...]
    privacy: str
