"""What people fill in: one set of rules for the JSON API and the form's pages, one sentence for each mistake."""

from service.questionnaire.composing_fields import Composing
from service.questionnaire.form_version import version
from service.questionnaire.parsing import check, check_as, language_of, read, read_as
from service.questionnaire.questions import Budget, Consent, Contact, OwnBow, Questionnaire, TrialWish, Tried, Wishes
from service.questionnaire.step_fields import NOT_SURE, Answers, Reading, Step, number
from service.questionnaire.steps import (
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
from service.questionnaire.tried_fields import TriedStep

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
    "version",
]
