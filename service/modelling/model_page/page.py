"""The page's context, part by part: figures from the model, words from `page_sentences`, places from `figures`."""

from collections.abc import Sequence

from sqlalchemy.orm import Session

from model.domain.vocabulary import CRITERIA, SCALES, Criterion
from model.evaluation import PurchaseCounts, RatingCounts
from model.preference import CataloguePosterior, CopyEffects, FittedModel, report
from service.core import formats, phrases
from service.core.language import _
from service.core.scopes import Scope
from service.modelling import fitted_words
from service.modelling.model_page import figures, makers_section, page_sentences
from service.modelling.model_page.facts import Facts, gather
from service.modelling.model_page.model_page_data import (
    Beginnings,
    ModelPage,
    PartOfRating,
    Passage,
    Rating,
    Table,
    TierOfCopies,
)
from service.modelling.model_page.sureness import sureness


def page_of(session: Session, scope: Scope, *, demo: bool = False) -> ModelPage:
    """Return the page of the version in use, with bows of the scope only; raises `ConflictError` where none is, or it cannot be read."""
    facts = gather(session, scope)
    return ModelPage(
        title=_("Our estimate: what we know, and how surely"),
        demo=demo,
        facts=page_sentences.quiet_line(facts),
        lead=page_sentences.lead(facts),
        sureness=sureness(facts),
        rating=_rating(facts),
        copies_lead=page_sentences.copies_lead(facts),
        copies=_copies(facts),
        thin_tiers=_thin_tiers(facts),
        thin_players=_thin_players(facts),
        character=makers_section.section(
            facts.posterior, {slug: facts.tiers[slug] for slug in facts.by_grade}, facts.names
        ),
        keeping=_keeping(facts.posterior),
        beginnings=_beginnings(facts),
        versions=_versions(facts),
        cautions=page_sentences.cautions(),
    )


# What one rating is made of


def _rating(facts: Facts) -> Rating:
    shares = report.variance_shares(facts.view)
    by_criterion = [
        (_(SCALES[criterion].name), part_shares)
        for criterion, part_shares in zip(CRITERIA, shares.tolist(), strict=True)
    ]
    overall = by_criterion[CRITERIA.index(Criterion.OVERALL)]
    return Rating(
        lead=page_sentences.rating_lead(facts.view),
        parts=tuple(
            PartOfRating(
                part, _(fitted_words.PART_NAMES[part]), formats.percent(share), _(fitted_words.PART_MEANINGS[part])
            )
            for part, share in zip(report.VARIANCE_PARTS, overall[1], strict=True)
        ),
        overall=figures.composition("overall", _("What one rating as a whole is made of"), [overall]),
        sentences=page_sentences.rating(facts),
        criteria=figures.composition("criteria", _("What one rating is made of, by criterion"), by_criterion),
        numbers=_rating_numbers(facts.view, by_criterion),
    )


def _rating_numbers(view: CataloguePosterior, by_criterion: Sequence[tuple[str, Sequence[float]]]) -> Table:
    parts = tuple(_(fitted_words.PART_NAMES[part]) for part in report.VARIANCE_PARTS)
    strays = report.variance_parts(view).sum(axis=1) ** 0.5
    rows = zip(by_criterion, strays.tolist(), view.posterior.rows.tolist(), strict=True)
    return Table(
        name=_("What one rating is made of"),
        head=(_("Criterion"), *parts, _("Strays by"), _("Ratings")),
        rows=tuple(
            (name, *map(formats.percent, shares), formats.number(strays_by, 2), formats.number(count, 0))
            for (name, shares), strays_by, count in rows
        ),
    )


# How copies of a tier differ


def _copies(facts: Facts) -> dict[str, tuple[TierOfCopies, ...]]:
    """Return by instrument the tiers that have copies, by grade."""
    limit = figures.reach(
        [end for each in facts.effects.values() for ends in (each.low, each.high) for end in ends[each.rated].tolist()]
    )
    with_copies = {
        name: [slug for slug in facts.of_instrument(instrument) if slug in facts.effects]
        for instrument, name in phrases.INSTRUMENTS.items()
    }
    return {
        formats.capital(_(name)): tuple(_tier(facts, slug, limit) for slug in slugs)
        for name, slugs in with_copies.items()
        if slugs
    }


def _tier(facts: Facts, slug: str, limit: float) -> TierOfCopies:
    effects, name = facts.effects[slug], facts.names.get(slug, slug)
    low, high, mean = effects.low.tolist(), effects.high.tolist(), effects.mean.tolist()
    rows = [figures.CopyEffect(effects.serials[k], low[k], mean[k], high[k]) for k in effects.order]
    return TierOfCopies(
        anchor=f"tier-{slug}",
        name=name,
        about=_about(facts, slug),
        notable=page_sentences.notable(facts, slug),
        sentence=page_sentences.how_apart(facts, slug),
        picture=figures.effects(f"copies-{slug}", name, rows, limit) if rows else None,
        numbers=Table(
            name=_("The bows of {tier}").format(tier=name),
            head=(_("Bow"), _("Effect"), _("Likely range"), _("Trials"), _("Kept"), _("Where")),
            rows=tuple(_copy_cells(facts, each) for each in rows) + tuple(_unrated_cells(facts, effects)),
        ),
    )


def _about(facts: Facts, slug: str) -> str:
    tier, count = facts.tiers[slug], facts.count(slug)
    parts = (
        _("Grade {grade}").format(grade=tier.grade),
        formats.trials(count.trials),
        fitted_words.players(count.players),
    )
    return f"{formats.NBSP}· ".join(parts)


def _copy_cells(facts: Facts, effect: figures.CopyEffect) -> tuple[str, ...]:
    return (
        effect.serial,
        fitted_words.signed(effect.mean),
        fitted_words.between(effect.low, effect.high),
        *_counted_cells(facts, effect.serial),
    )


def _unrated_cells(facts: Facts, effects: CopyEffects) -> list[tuple[str, ...]]:
    unrated = sorted(serial for serial, rated in zip(effects.serials, effects.rated.tolist(), strict=True) if not rated)
    return [(serial, "–", "–", *_counted_cells(facts, serial)) for serial in unrated]


def _counted_cells(facts: Facts, serial: str) -> tuple[str, str, str]:
    trials = facts.tally.copies.get(serial, RatingCounts()).trials
    kept = facts.tally.kept.get(serial, PurchaseCounts())
    status = facts.statuses.get(serial)
    return (
        str(trials),
        _("{kept} of {decided}").format(kept=kept.kept, decided=kept.decided) if kept.decided else "–",
        _(fitted_words.STATUSES[status]) if status else "–",
    )


# Where too little is known


def _thin_tiers(facts: Facts) -> Passage:
    counted = (_("Trials"), _("Players"), _("Bows rated"))
    head = (_("Model"), _("Instrument"), _("Level"), _("Likely range"), *counted)
    rows = tuple(_level_cells(facts, slug) for slug in facts.by_grade)
    numbers = Table(name=_("How surely each model is known"), head=head, rows=rows)
    return Passage(sentences=page_sentences.thin_tiers(facts), numbers=numbers)


def _level_cells(facts: Facts, slug: str) -> tuple[str, ...]:
    level, count = facts.levels[slug], facts.count(slug)
    copies = sum(tier == slug for tier in facts.copies.values())
    return (
        facts.names.get(slug, slug),
        _(phrases.INSTRUMENTS[facts.tiers[slug].instrument]),
        formats.number(level.mean),
        formats.interval(level.low, level.high),
        str(count.trials),
        str(count.players),
        _("{rated} of {all}").format(rated=count.copies, all=copies),
    )


def _thin_players(facts: Facts) -> Passage:
    counts = facts.tally.bows_of_players
    different = sorted(set(counts))
    rows = tuple((str(bows), formats.number(counts.count(bows), 0)) for bows in different)
    name, head = _("How many bows players have rated"), (_("Bows rated"), _("Players"))
    return Passage(sentences=page_sentences.thin_players(facts), numbers=Table(name=name, head=head, rows=rows))


# What people keep, what the model started from, and its versions


def _keeping(posterior: FittedModel) -> Passage:
    terms = report.choice_terms(posterior.keeping)
    rows = tuple(_learnt_cells(each, fitted_words.choice_term(each.name)) for each in terms)
    head = (_("What counts"), _("Starting value"), _("With the outcomes"))
    numbers = Table(name=_("What people keep, in log-odds"), head=head, rows=rows)
    return Passage(sentences=page_sentences.keeping(posterior.keeping), numbers=numbers)


def _learnt_cells(learnt: report.ParameterSummary, name: str) -> tuple[str, str, str]:
    return (
        name,
        fitted_words.more_or_less(learnt.before, learnt.before_sd),
        fitted_words.more_or_less(learnt.after, learnt.after_sd),
    )


def _beginnings(facts: Facts) -> Beginnings:
    head = (_("What"), _("Starting value"), _("With the data"))
    main = report.prior_vs_posterior(facts.view, facts.version.beliefs)
    begun = tuple(_learnt_cells(each, fitted_words.beginning(each.name)) for each in main)
    others = report.other_coefficients(facts.posterior)
    shifts = tuple(_learnt_cells(each, formats.capital(fitted_words.column(each.name))) for each in others)
    return Beginnings(
        sentences=page_sentences.beginnings(facts),
        main=Table(name=_("Starting values, and what the data made of them"), head=head, rows=begun),
        columns=Table(name=_("What else may shift a rating"), head=head, rows=shifts),
    )


def _versions(facts: Facts) -> Passage:
    head = (_("Version"), _("Fitted"), _("Trials"), _("Standing"), _("Why"))
    rows = tuple(page_sentences.version_cells(each) for each in reversed(facts.versions))
    return Passage(sentences=page_sentences.versions(facts), numbers=Table(name=_("Versions"), head=head, rows=rows))
