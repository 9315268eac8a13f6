"""The range as its maker describes it: the list of tiers, and one tier's form."""

from dataclasses import dataclass
from typing import Any

from model.domain.vocabulary import CRITERIA, SCALES, STEPS, Criterion
from service.core import formats, phrases
from service.core.language import _
from service.core.paging import Leaf
from service.inventory.makers_words import Counts, DescribedTier, counts, worth, written
from service.modelling import makers_phrases
from service.modelling.versions import Fitted
from service.web import list_filters
from service.web.desk_forms import FormShown, ListLine, ListPage, address, faults, paged
from service.web.list_filters import ListFilter, ListQuery
from service.web.page_data import FormPage, Option, Typed


@dataclass(frozen=True, slots=True)
class CriterionSteps:
    """The steps of one criterion. ``name``: of its field; ``question``: what the criterion means, as players are asked."""

    name: str
    legend: str
    question: str
    options: tuple[Option, ...]


def filters() -> tuple[ListFilter, ...]:
    """Return what the range is narrowed by."""
    said = (Option("yes", _("Something is said")), Option("no", _("Nothing is said")))
    return (
        ListFilter("name", _("Model")),
        ListFilter("instrument", _("Instrument"), list_filters.options(phrases.INSTRUMENTS)),
        ListFilter("hold", _("Hold"), list_filters.options(phrases.HOLDS)),
        ListFilter("said", _("The maker’s words for it"), said),
    )


def head() -> tuple[str, ...]:
    """Return the columns of the range as a file."""
    return _("Model"), _("Instrument"), _("Hold"), _("Grade"), *(_(SCALES[each].name) for each in CRITERIA)


def cells(tier: DescribedTier) -> tuple[str, ...]:
    """Return a tier's cells."""
    holds = formats.listed([_(phrases.HOLDS[hold]) for hold in tier.holds]) if tier.holds else ""
    steps = (tier.steps.get(criterion) for criterion in CRITERIA)
    said = (
        makers_phrases.step(each, step) if step is not None else "" for each, step in zip(CRITERIA, steps, strict=True)
    )
    return tier.name, _(phrases.INSTRUMENTS[tier.instrument]), holds, str(tier.grade), *said


def listed(found: Leaf[DescribedTier], fitted: Fitted, query: ListQuery, *, begins: bool) -> ListPage:
    """Return a page of the tiers with what is said of each."""
    none = _("There is no model yet; `load` takes in the range from files.")
    return ListPage(
        title=_("Range"),
        note=_(
            "What each model is meant to be, beside what is usual for its grade. Until trials tell more, the advice goes by it."
        ),
        query=query,
        lines=found.each(lambda tier: _line(tier, fitted)),
        empty=_("There is no model like that.") if query.values else none,
        **paged(found, query.href, begins=begins),
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
