"""What people fill in: one set of rules for the JSON API and the form's pages, one sentence for each mistake."""

from service.questionnaire.choices import HAS_BOW, NO_BOW, NOT_SURE
from service.questionnaire.composing_fields import Composing
from service.questionnaire.parsing import check, check_as, language_of, read, read_as
from service.questionnaire.question_parts import Budget, Consent, Contact, OwnBow, TrialWish, Tried, Wishes
from service.questionnaire.questions import Questionnaire, version
from service.questionnaire.step_fields import Answers, FormStep, Reading, number
from service.questionnaire.steps import STEPS, BudgetStep, ContactStep, InstrumentStep, OwnBowStep, WishesStep, WorkStep
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
    "FormStep",
    "InstrumentStep",
    "OwnBow",
    "OwnBowStep",
    "Questionnaire",
    "Reading",
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
