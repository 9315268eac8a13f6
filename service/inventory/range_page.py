"""The range as its maker describes it: the list of tiers, and one tier's form."""

from dataclasses import dataclass
from typing import Any

from model.domain.vocabulary import CRITERIA, SCALES, STEPS, Criterion
from service.core import formats, phrases
from service.core.language import _
from service.inventory.makers_words import Counts, DescribedTier, counts, worth, written
from service.modelling import makers_phrases
from service.modelling.versions import Fitted
from service.web.desk_forms import FormShown, ListLine, ListPage, address, faults
from service.web.page_data import FormPage, Option, Typed


@dataclass(frozen=True, slots=True)
class CriterionSteps:
    """The steps of one criterion. ``name``: of its field; ``question``: what the criterion means, as players are asked."""

    name: str
    legend: str
    question: str
    options: tuple[Option, ...]


def listed(tiers: tuple[DescribedTier, ...], fitted: Fitted) -> ListPage:
    """Return the list of tiers with what is said of each."""
    return ListPage(
        title=_("Range"),
        note=_(
            "What each model is meant to be, beside what is usual for its grade. Until trials tell more, the advice goes by it."
        ),
        lines=tuple(_line(tier, fitted) for tier in tiers),
        empty=_("There is no model yet; `load` takes in the range from files."),
    )


def _line(tier: DescribedTier, fitted: Fitted) -> ListLine:
    waits = counts(fitted, tier.tier, tier.steps) is Counts.FROM_NEXT_FIT
    said = makers_phrases.summed_up(tier.steps) or _("Nothing is said of it")
    facts, state = f"{_facts(tier)}{formats.NBSP}· {said}", _("counts from the next fit") if waits else ""
    return ListLine(tier.name, facts, state, address("range", tier.tier), _("Describe"))


def _facts(tier: DescribedTier) -> str:
    parts = (
        formats.capital(_(phrases.INSTRUMENTS[tier.instrument])),
        *(_(phrases.HOLDS[hold]) for hold in tier.holds),
        _("Grade {grade}").format(grade=tier.grade),
    )
    return f"{formats.NBSP}· ".join(parts)


def view(tier: DescribedTier, fitted: Fitted, form: FormShown) -> tuple[FormPage, dict[str, Any]]:
    """Return one tier's form, with what is said now where nothing was typed, and what stands around it, by name."""
    usual = {str(criterion): [str(tier.steps.get(criterion, ""))] for criterion in CRITERIA}
    names = {str(criterion): SCALES[criterion].name for criterion in CRITERIA}
    anchors = {name: f"{name}-{STEPS[0]}" for name in names}
    page = FormPage(
        title=tier.name,
        action=address("range", tier.tier),
        typed=Typed({**usual, **form.fields}, form.problems),
        faults=faults(form.problems, names, anchors),
    )
    return page, {
        "facts": _facts(tier),
        "note": tier.note,
        "picture": address("tiers", tier.tier, "picture"),
        "lead": _lead(fitted),
        "counts": _counts(tier, fitted),
        "seen": written(tier.steps),
        "rows": tuple(map(_row, CRITERIA)),
    }


def _lead(fitted: Fitted) -> str:
    return _(
        "Say what a bow of this model is meant to be beside what is usual for its grade. Each of your answers counts as much as about {count} ratings, each by another player of another bow: it speaks on the first day, and trials correct it."
    ).format(count=formats.number(worth(fitted), 0))


def _counts(tier: DescribedTier, fitted: Fitted) -> str:
    when = counts(fitted, tier.tier, tier.steps)
    if when is Counts.AT_ONCE and fitted.posterior is None:
        return _("Our estimate has not been fitted yet: what you say counts at once.")
    if when is Counts.AT_ONCE:
        return _("This model came after the estimate in use was fitted: what you say counts at once.")
    if when is Counts.ALREADY and tier.steps:
        return _("The estimate in use was made with what is said here. What you change counts from the next fit.")
    if when is Counts.ALREADY:
        return _("What you say counts from the next fit of our estimate.")
    return _("The estimate in use was made before this was said: it counts from the next fit.")


def _row(criterion: Criterion) -> CriterionSteps:
    steps = tuple(Option(str(step), formats.capital(makers_phrases.step(criterion, step))) for step in STEPS)
    scale = SCALES[criterion]
    return CriterionSteps(
        name=str(criterion),
        legend=_(scale.name),
        question=_(scale.question),
        options=(*steps, Option("", formats.capital(_(makers_phrases.NOT_SAID)))),
    )
