"""The form's steps, in order: which fields each has, and which answers they stand for."""

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, ClassVar

from model.domain.vocabulary import CRITERIA, Instrument
from service.core.language import N_, _
from service.questionnaire.step_fields import NOT_SURE, Answers, Errors, Form, Reading, Step, first
from service.questionnaire.tried_fields import TriedStep

NO_BOW, HAS_BOW = "none", "yes"
"""Values of the field ``own_bow``, beside ``NOT_SURE``: 'I have none' and 'yes'."""
_CHOOSE = {
    "instrument": N_("Choose your instrument."),
    "hold": N_("Choose how you hold the bow: German, French, or either."),
}
Numbers = Mapping[str, float | int]


def _text(value: Any) -> list[str]:
    return [] if value is None else [f"{value:.12g}" if isinstance(value, float) else str(value)]


def _texts(values: Mapping[str, Any]) -> dict[str, list[str]]:
    return {field: _text(value) for field, value in values.items()}


class InstrumentStep(Step):
    """Fields ``instrument``, and for the double bass ``hold``, ``strings``, ``string_length_mm``."""

    name = "instrument"
    keys = ("instrument", "hold", "strings", "string_length_mm")
    numbers = ("strings", "string_length_mm")

    @classmethod
    def body(cls, form: Form, values: Numbers) -> Answers:
        """Leave the double bass's own questions out for the other instruments: a page may post them hidden."""
        body: Answers = {"instrument": first(form, "instrument")}
        if body["instrument"] == Instrument.DOUBLE_BASS:
            body |= {"hold": first(form, "hold"), **values}
        return body

    @classmethod
    def read(cls, form: Form, beside: Answers | None = None) -> Reading:
        """Forget what the hidden questions of the double bass got for another instrument; ask for a choice in a page's words."""
        found = super().read(form, beside)
        errors = found.errors
        errors |= {field: _(_CHOOSE[field]) for field in errors if field in _CHOOSE and not first(form, field)}
        if first(form, "instrument") != Instrument.DOUBLE_BASS:
            errors = {field: sentence for field, sentence in errors.items() if field == "instrument"}
        return replace(found, errors=errors)

    @classmethod
    def context(cls) -> Answers:
        """Nothing: the instrument is this step's own."""
        return {}

    @classmethod
    def fill(cls, answers: Answers) -> dict[str, list[str]]:
        """See `Step.fill`."""
        return _texts({key: answers.get(key) for key in cls.keys})


class WorkStep(Step):
    """The field ``settings``, as often as there are settings."""

    name = "work"
    keys = ("settings",)
    fields: ClassVar[Mapping[str, str]] = {"settings": "settings"}

    @classmethod
    def body(cls, form: Form, values: Numbers) -> Answers:
        """See `Step.body`."""
        del values
        return {"settings": [value for value in form.get("settings", ()) if value not in {"", NOT_SURE}]}

    @classmethod
    def fill(cls, answers: Answers) -> dict[str, list[str]]:
        """See `Step.fill`."""
        return {"settings": list(answers.get("settings", ()))}


class OwnBowStep(Step):
    """Fields ``own_bow`` (yes, none, unsure), ``own_kind``, ``own_mass_g``, ``own_rating_<criterion>``."""

    name = "own-bow"
    keys = ("own_bow",)
    ratings: ClassVar[dict[str, str]] = {f"own_rating_{criterion}": str(criterion) for criterion in CRITERIA}
    numbers = ("own_mass_g", *ratings)
    fields: ClassVar[Mapping[str, str]] = {
        "own_bow.kind": "own_kind",
        "own_bow.mass_g": "own_mass_g",
        **{f"own_bow.ratings.{criterion}": field for field, criterion in ratings.items()},
    }

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
        """See `Step.body`."""
        own: Answers = {
            "kind": first(form, "own_kind"),
            "mass_g": values.get("own_mass_g"),
            "ratings": {criterion: values.get(field) for field, criterion in cls.ratings.items()},
        }
        if first(form, "own_bow") == HAS_BOW or values:
            own["kind"] = own["kind"] or "unknown"
        return {"own_bow": own}

    @classmethod
    def fill(cls, answers: Answers) -> dict[str, list[str]]:
        """See `Step.fill`; nothing known about the own bow leaves every field open."""
        if "own_bow" not in answers:
            return {}
        own = answers["own_bow"]
        if own is None:
            return {"own_bow": [NO_BOW]}
        ratings = own.get("ratings", {})
        return _texts(
            {"own_bow": HAS_BOW, "own_kind": own.get("kind"), "own_mass_g": own.get("mass_g")}
            | {field: ratings.get(criterion) for field, criterion in cls.ratings.items()}
        )


class WishesStep(Step):
    """Fields ``priority_1`` to ``priority_3`` (criteria), ``wish_mass``, ``wish_tone`` (-1, 0, 1)."""

    name = "wishes"
    keys = ("priorities", "wishes")
    numbers = ("wish_mass", "wish_tone")
    priorities = ("priority_1", "priority_2", "priority_3")
    fields: ClassVar[Mapping[str, str]] = {
        "wishes.mass": "wish_mass",
        "wishes.tone": "wish_tone",
        "priorities": "priority_1",
    }

    @classmethod
    def read(cls, form: Form, beside: Answers | None = None) -> Reading:
        """Name the field that repeats a criterion, and keep the first."""
        chosen: dict[str, str] = {}
        twice: Errors = {}
        for field in cls.priorities:
            criterion = first(form, field)
            if criterion and criterion in chosen.values():
                twice[field] = _("This is chosen already; expected another one, or none.")
            elif criterion:
                chosen[field] = criterion
        found = super().read({**form, **{field: [chosen.get(field, "")] for field in cls.priorities}}, beside)
        return replace(found, errors=found.errors | twice)

    @classmethod
    def body(cls, form: Form, values: Numbers) -> Answers:
        """See `Step.body`."""
        chosen = [first(form, field) for field in cls.priorities]
        return {
            "priorities": [criterion for criterion in chosen if criterion],
            "wishes": {"mass": values.get("wish_mass"), "tone": values.get("wish_tone")},
        }

    @classmethod
    def fill(cls, answers: Answers) -> dict[str, list[str]]:
        """See `Step.fill`."""
        chosen = answers.get("priorities", ())
        wishes = answers.get("wishes", {})
        filled = _texts({"wish_mass": wishes.get("mass"), "wish_tone": wishes.get("tone")})
        return filled | {field: [str(value)] for field, value in zip(cls.priorities, chosen, strict=False)}


class BudgetStep(Step):
    """Fields ``amount``, ``currency``, ``stretch_percent``, ``minutes``, ``place``; without an amount there is no budget."""

    name = "budget"
    keys = ("budget", "trial")
    numbers = ("amount", "stretch_percent", "minutes")
    fields: ClassVar[Mapping[str, str]] = {
        "budget": "amount",
        "budget.amount": "amount",
        "budget.currency": "currency",
        "budget.stretch_percent": "stretch_percent",
        "trial.minutes": "minutes",
        "trial.place": "place",
    }

    @classmethod
    def body(cls, form: Form, values: Numbers) -> Answers:
        """See `Step.body`."""
        budget = {
            "amount": values.get("amount"),
            "currency": first(form, "currency").upper(),
            "stretch_percent": values.get("stretch_percent"),
        }
        return {
            "budget": budget if "amount" in values else {},
            "trial": {"minutes": values.get("minutes"), "place": first(form, "place")},
        }

    @classmethod
    def fill(cls, answers: Answers) -> dict[str, list[str]]:
        """See `Step.fill`."""
        budget, trial = answers.get("budget") or {}, answers.get("trial", {})
        return _texts(
            {key: budget.get(key) for key in ("amount", "currency", "stretch_percent")}
            | {"minutes": trial.get("minutes"), "place": trial.get("place")}
        )


class ContactStep(Step):
    """Fields ``name``, ``email``, ``phone`` and the boxes ``consent_advice``, ``consent_mail``, ``consent_model``.

    Without consent nothing of the contact is kept, not even in the draft.
    """

    name = "contact"
    keys = ("contact",)
    fields: ClassVar[Mapping[str, str]] = {
        "contact.name": "name",
        "contact.email": "email",
        "contact.phone": "phone",
        "contact.consent.advice": "consent_advice",
        "contact.consent.mail": "consent_mail",
        "contact.consent.model": "consent_model",
        "contact": "consent_advice",
    }

    @classmethod
    def body(cls, form: Form, values: Numbers) -> Answers:
        """See `Step.body`; a ticked box without a name or an address is about nobody, unless it asks for mail."""
        del values
        texts = {field: first(form, field) for field in ("name", "email", "phone")}
        consent = {kind: bool(first(form, f"consent_{kind}")) for kind in ("advice", "mail", "model")}
        return {"contact": {**texts, "consent": consent} if any(texts.values()) or consent["mail"] else {}}

    @classmethod
    def fill(cls, answers: Answers) -> dict[str, list[str]]:
        """See `Step.fill`."""
        contact = answers.get("contact") or {}
        consent = contact.get("consent", {})
        filled = _texts({field: contact.get(field) for field in ("name", "email", "phone")})
        return filled | {f"consent_{kind}": ["yes"] for kind, given in consent.items() if given}


STEPS: tuple[type[Step], ...] = (InstrumentStep, WorkStep, OwnBowStep, TriedStep, WishesStep, BudgetStep, ContactStep)
"""All steps, in the order in which they are asked; the bows tried are asked beside the own bow, of whoever wants to name some."""
