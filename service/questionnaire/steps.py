"""The form's steps, in order. What is asked on each is declared in `questions`; here is what one answer means for the others."""

from collections.abc import Mapping
from dataclasses import replace
from typing import ClassVar

from model.domain.vocabulary import CRITERIA, Instrument
from service.core.language import _
from service.questionnaire.choices import HAS_BOW, NO_BOW, NOT_SURE, RANKS
from service.questionnaire.declared import Declared
from service.questionnaire.step_fields import Answers, Errors, Form, FormStep, Numbers, Reading, first
from service.questionnaire.tried_fields import TriedStep


class InstrumentStep(FormStep):
    """The instrument, and what is asked of the double bass alone."""

    name = "instrument"

    @classmethod
    def body(cls, form: Form, values: Numbers) -> Answers:
        """Leave out what is asked of other instruments: a page may post it hidden."""
        body, played = super().body(form, values), _played(form)
        return {each.key: body[each.key] for each in cls.questions if each.asked_of(played)}

    @classmethod
    def read(cls, form: Form, beside: Answers | None = None) -> Reading:
        """Forget what hidden questions got; ask for a choice in a page's words."""
        found, played = super().read(form, beside), _played(form)
        errors = dict(found.errors)
        for each in cls.questions:
            field = each.asked.field
            if field in errors and each.asked.first_choice and not first(form, field):
                errors[field] = _(each.asked.first_choice)
            if not each.asked_of(played):
                errors.pop(field, None)
        return replace(found, errors=errors)

    @classmethod
    def context(cls) -> Answers:
        """Nothing: the instrument is this step's own."""
        return {}


def _played(form: Form) -> Instrument | None:
    chosen = first(form, "instrument")
    return Instrument(chosen) if chosen in set(Instrument) else None


class WorkStep(FormStep):
    """What is played."""

    name = "work"


class OwnBowStep(FormStep):
    """Fields ``own_bow`` (yes, none, unsure), ``own_rating_<criterion>``, and what else is declared of the own bow."""

    name = "own-bow"
    ratings: ClassVar[dict[str, str]] = {f"own_rating_{criterion}": str(criterion) for criterion in CRITERIA}
    beside: ClassVar[Mapping[str, str]] = {f"own_bow.ratings.{name}": field for field, name in ratings.items()}

    @classmethod
    def numbers(cls) -> tuple[str, ...]:
        """Return the fields that hold numbers, the marks among them."""
        return (*super().numbers(), *cls.ratings)

    @classmethod
    def read(cls, form: Form, beside: Answers | None = None) -> Reading:
        """'I have none' is an answer, 'not sure' is none; both make the other fields idle."""
        choice = first(form, "own_bow")
        if choice not in {"", NO_BOW, HAS_BOW}:
            return Reading({}, {"own_bow": _("Choose one of the answers.")})
        if choice == NO_BOW:
            return Reading({"own_bow": None})
        return super().read(form, beside) if NOT_SURE not in form.get("own_bow", ()) else Reading({})

    @classmethod
    def body(cls, form: Form, values: Numbers) -> Answers:
        """See `FormStep.body`; whoever says anything of a bow has one."""
        own = super().body(form, values)["own_bow"]
        own["ratings"] = {criterion: values.get(field) for field, criterion in cls.ratings.items()}
        if first(form, "own_bow") == HAS_BOW or values:
            own["kind"] = own["kind"] or "unknown"
        return {"own_bow": own}

    @classmethod
    def fill(cls, answers: Answers) -> dict[str, list[str]]:
        """See `FormStep.fill`; nothing known about the own bow leaves every field open."""
        if "own_bow" not in answers:
            return {}
        own = answers["own_bow"]
        if own is None:
            return {"own_bow": [NO_BOW]}
        given = own.get("ratings", {})
        marks = {field: [str(given[name])] for field, name in cls.ratings.items() if given.get(name) is not None}
        return {"own_bow": [HAS_BOW], **super().fill(answers), **marks}


class WishesStep(FormStep):
    """Fields ``priority_1`` to ``priority_3`` (criteria), and the wishes."""

    name = "wishes"
    beside: ClassVar[Mapping[str, str]] = {"priorities": "priority_1"}

    @classmethod
    def read(cls, form: Form, beside: Answers | None = None) -> Reading:
        """Name the field that repeats a criterion, and keep the first."""
        chosen: dict[str, str] = {}
        twice: Errors = {}
        for field in RANKS:
            criterion = first(form, field)
            if criterion and criterion in chosen.values():
                twice[field] = _("This is chosen already; expected another one, or none.")
            elif criterion:
                chosen[field] = criterion
        found = super().read({**form, **{field: [chosen.get(field, "")] for field in RANKS}}, beside)
        return replace(found, errors=found.errors | twice)

    @classmethod
    def body(cls, form: Form, values: Numbers) -> Answers:
        """See `FormStep.body`; gaps among the priorities close."""
        ranked = [first(form, field) for field in RANKS]
        return {**super().body(form, values), "priorities": [criterion for criterion in ranked if criterion]}

    @classmethod
    def fill(cls, answers: Answers) -> dict[str, list[str]]:
        """See `FormStep.fill`."""
        ranked = zip(RANKS, answers.get("priorities", ()), strict=False)
        return super().fill(answers) | {field: [str(value)] for field, value in ranked}


class BudgetStep(FormStep):
    """Budget and trial; without an amount there is no budget."""

    name = "budget"
    beside: ClassVar[Mapping[str, str]] = {"budget": "amount"}

    @classmethod
    def body(cls, form: Form, values: Numbers) -> Answers:
        """See `FormStep.body`."""
        body = super().body(form, values)
        return body if "amount" in values else {**body, "budget": {}}


class ContactStep(FormStep):
    """Name, address and what is agreed to. Without consent nothing of the contact is kept, not even in the draft."""

    name = "contact"
    beside: ClassVar[Mapping[str, str]] = {"contact": "consent_advice"}

    @classmethod
    def body(cls, form: Form, values: Numbers) -> Answers:
        """See `FormStep.body`; a ticked box without a name or an address is about nobody, unless it asks for mail."""
        contact = super().body(form, values)["contact"]
        told = any(value for name, value in contact.items() if name != "consent")
        return {"contact": contact if told or contact["consent"]["mail"] else {}}


STEPS: tuple[type[FormStep], ...] = (
    InstrumentStep,
    WorkStep,
    OwnBowStep,
    TriedStep,
    WishesStep,
    BudgetStep,
    ContactStep,
)
"""All steps, in the order in which they are asked; the bows tried are asked beside the own bow, of whoever wants to name some."""


def in_order() -> tuple[Declared, ...]:
    """Return every question in the order in which it is asked."""
    return tuple(question for step in STEPS for question in step.questions)
