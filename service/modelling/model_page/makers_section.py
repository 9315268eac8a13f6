"""What makers say of their tiers, beside what trials say: the section of the model's page."""

from collections.abc import Iterator, Mapping, Sequence

from model.domain.records import Tier
from model.domain.vocabulary import SCALES
from model.features import STEP_POINTS
from model.preference import FittedModel, Said, character
from service.core import formats
from service.core.language import _, ngettext
from service.modelling import fitted_words, makers_phrases
from service.modelling.model_page.model_page_data import Passage, Table

MOST_NAMED = 6
"""So many disagreements are put into a sentence each; the table marks them all."""


def section(posterior: FittedModel, tiers: Mapping[str, Tier], names: Mapping[str, str]) -> Passage:
    """Return the sentences and the table; ``tiers``: as they stand now, in the order of the table, ``names`` by their slugs."""
    order = list(tiers)
    found = sorted(
        character.said(posterior), key=lambda each: order.index(each.tier) if each.tier in tiers else len(order)
    )
    taken = (_("What the advice takes"), _("Told by trials"))
    head = (_("Model"), _("Criterion"), _("The maker says"), _("Trials say"), *taken)
    name, rows = _("What makers say of each model, and what trials say"), tuple(_cells(each, names) for each in found)
    sentences = (*_lead(posterior, found, names), *_waiting(posterior, tiers, names))
    return Passage(sentences=sentences, numbers=Table(name=name, head=head, rows=rows))


def _lead(posterior: FittedModel, found: Sequence[Said], names: Mapping[str, str]) -> Iterator[str]:
    if not found:
        yield _(
            "This version was made without a maker’s word on any model. What a model is meant to be is said under Range."
        )
        return
    yield _(
        "A maker’s word is taken for {points} points a step, beside what is usual for the grade, and counts as much as about "
        "{count} ratings, each by another player of another bow."
    ).format(points=formats.number(STEP_POINTS), count=formats.number(character.worth(posterior), 0))
    told = sum(each.told for each in found) / len(found)
    yield _(
        "Of what is known of these models on these criteria, trials have told {trials} by now; the rest, {words}, is the makers’ words."
    ).format(trials=formats.percent(told), words=formats.percent(1.0 - told))
    yield from _disagreements(names, [each for each in found if each.is_contradicted])


def _disagreements(names: Mapping[str, str], against: list[Said]) -> Iterator[str]:
    if not against:
        yield _("Nowhere do trials clearly disagree with a maker.")
        return
    yield ngettext(
        "In {count} case trials clearly disagree with the maker: this much comes about by chance once in ten cases.",
        "In {count} cases trials clearly disagree with the maker: this much comes about by chance once in ten cases.",
        len(against),
    ).format(count=formats.counted(len(against)))
    for each in sorted(against, key=lambda each: -abs(each.after - each.before) / each.before_sd)[:MOST_NAMED]:
        yield _("{tier}, {criterion}: the maker says ‘{maker}’, trials say ‘{trials}’.").format(
            tier=names.get(each.tier, each.tier),
            criterion=_(SCALES[each.criterion].name),
            maker=makers_phrases.step(each.criterion, each.step),
            trials=makers_phrases.step(each.criterion, each.trials_step),
        )


def _waiting(posterior: FittedModel, tiers: Mapping[str, Tier], names: Mapping[str, str]) -> Iterator[str]:
    """Say of which tiers something else is said by now than this version was made with."""
    known = {tier.slug: tier.character for tier in posterior.design.tiers}
    waiting = [slug for slug, tier in tiers.items() if slug in known and known[slug] != tier.character]
    if waiting:
        yield _(
            "Since this version was fitted, something else is said of {tiers}: that counts from the next fit."
        ).format(tiers=formats.listed([names.get(slug, slug) for slug in waiting]))


def _cells(said: Said, names: Mapping[str, str]) -> tuple[str, ...]:
    says = said.trials_say
    trials = _("too little to say")
    if says is not None:
        trials = _in_points(makers_phrases.step(said.criterion, said.trials_step), says)
        if said.is_contradicted:
            trials = _("{words}: clearly something else").format(words=trials)
    return (
        names.get(said.tier, said.tier),
        _(SCALES[said.criterion].name),
        _in_points(makers_phrases.step(said.criterion, said.step), said.before),
        trials,
        fitted_words.signed_with(said.after, said.after_sd),
        formats.percent(said.told),
    )


def _in_points(step: str, points: float) -> str:
    return _("{words} ({points})").format(words=step, points=fitted_words.signed(points))
