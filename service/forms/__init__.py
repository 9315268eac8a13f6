"""What people fill in: one set of rules for the JSON API and the form's pages, one sentence for each mistake."""

from service.forms import tried
from service.forms.composing import Composing
from service.forms.questionnaire import (
    Budget,
    Consent,
    Contact,
    OwnBow,
    Questionnaire,
    TrialWish,
    Tried,
    Wishes,
)
from service.forms.reading import check, check_as, language_of, read, read_as
from service.forms.step import NOT_SURE, Answers, Reading, Step, number
from service.forms.steps import (
    HAS_BOW,
    NO_BOW,
    STEPS,
    BudgetStep,
    ContactStep,
    InstrumentStep,
    OwnBowStep,
    WishesStep,
    WorkStep,
)
from service.forms.tried import TriedStep
from service.forms.version import version

__all__ = [
    "HAS_BOW",
    "NOT_SURE",
    "NO_BOW",
    "STEPS",
    "Answers",
    "Budget",
    "BudgetStep",
    "Composing",
    "Consent",
    "Contact",
    "ContactStep",
    "InstrumentStep",
    "OwnBow",
    "OwnBowStep",
    "Questionnaire",
    "Reading",
    "Step",
    "TrialWish",
    "Tried",
    "TriedStep",
    "Wishes",
    "WishesStep",
    "WorkStep",
    "check",
    "check_as",
    "language_of",
    "number",
    "read",
    "read_as",
    "tried",
    "version",
]
