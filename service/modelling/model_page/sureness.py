"""How sure the model is: its last check-ups in words, in tables and over time."""

from collections.abc import Sequence

from service.core import formats
from service.core.language import N_, _
from service.modelling import fitted_words
from service.modelling.model_page import answer_influence, figures, parts_worth, strokes_worth, told_chances
from service.modelling.model_page.checkups import CheckUp, Figure, Version
from service.modelling.model_page.facts import Facts
from service.modelling.model_page.model_page_data import Sureness, Table

RULES = {
    "as many of the dearest affordable tier": N_("as many of the dearest model within reach"),
    "spread over three affordable tiers": N_("spread over three models within reach"),
}
"""The rules of thumb as the page says them, by their names in a check-up."""

Checked = Sequence[tuple[Version, CheckUp]]
FEWEST_MARKS = 2
"""One check-up alone makes no picture over time; the table has it."""


def sureness(facts: Facts) -> Sureness:
    """Return how sure the version shown is."""
    checked = [(version, version.checkup) for version in facts.versions if version.checkup]
    return Sureness(
        sentences=how_far_off(facts.version.checkups),
        won=won(facts.version),
        chances=told_chances.shown(facts.version.chances),
        answers=answer_influence.shown(facts.version.ablation),
        parts=parts_worth.shown(facts.version.parts),
        strokes=strokes_worth.shown(facts.version.strokes),
        by_ratings=_by_ratings(facts.version.checkups),
        errors=_errors(checked),
        coverage=_coverage(checked),
        checkups=_checkups(checked),
    )


def _by_ratings(checkups: Sequence[CheckUp]) -> Table | None:
    if not checkups:
        return None
    return Table(
        name=_("How it did on players held out, by how many bows they had rated"),
        head=(_("Bows rated"), *_checkup_head()),
        rows=tuple((str(each.told), *_checkup_cells(each)) for each in checkups),
    )


def _errors(checked: Checked) -> figures.PointPicture | None:
    if len(checked) < FEWEST_MARKS:
        return None
    marks = [
        figures.Mark(
            label=str(version.number),
            when=formats.day(version.fitted_at.date()),
            value=checkup.error.mean,
            other=checkup.tier_mean.mean,
        )
        for version, checkup in checked
    ]
    return figures.over_time(
        "errors", _("Error at the last check-ups, in points"), _errors_told(checked), marks, step=0.1
    )


def _coverage(checked: Checked) -> figures.PointPicture | None:
    marks = [
        figures.Mark(str(version.number), formats.day(version.fitted_at.date()), 100 * checkup.coverage.mean)
        for version, checkup in checked
        if checkup.coverage
    ]
    if len(marks) < FEWEST_MARKS:
        return None
    title = _("How many ratings in a hundred were among the marks told as likely")
    return figures.over_time("coverage", title, _coverage_told(checked), marks, step=5.0, goal=90.0, ends=(80.0, 100.0))


def _checkups(checked: Checked) -> Table | None:
    if not checked:
        return None
    return Table(
        name=_("The last check-ups"),
        head=(_("Version"), _("Checked"), *_checkup_head()),
        rows=tuple(
            (str(version.number), fitted_words.held(formats.day(version.fitted_at.date())), *_checkup_cells(checkup))
            for version, checkup in reversed(checked)
        ),
    )


# In words


def how_far_off(checkups: Sequence[CheckUp]) -> tuple[str, ...]:
    """Return how far the version in use was off for players it had not seen, and how that shrinks as they rate."""
    if not checkups:
        return (
            _("This version was not checked on players held out of the fit: that takes at least five who rated bows."),
        )
    first, last = checkups[0], checkups[-1]
    sentence = _(
        "Asked about {players} it had not seen, and told only their answers and their own bow, it was off by {error} points a rating; whoever goes by the model’s mean alone is off by {tier_mean} (root mean square, {ratings})."
    )
    said = [
        sentence.format(
            players=fitted_words.players(first.players),
            error=formats.number(first.error.mean, 2),
            tier_mean=formats.number(first.tier_mean.mean, 2),
            ratings=fitted_words.ratings(first.ratings),
        ),
        _verdict(first),
    ]
    if last.told > first.told:
        later_error = _("Once a player has rated {bows}, it is off by {error}.")
        said.append(later_error.format(bows=formats.bows(last.told), error=formats.number(last.error.mean, 2)))
    if first.coverage is not None:
        held = _("Of the ratings, {promised} should have been among the marks told as likely, and {share} were.")
        promised, share = formats.percent(first.promised), formats.percent(first.coverage.mean)
        said.append(held.format(promised=promised, share=share))
    return tuple(said)


def won(version: Version) -> tuple[str, ...]:
    """Return what the bows named first won against the rules of thumb, among those that each trial held out did hold."""
    if not version.won:
        return ()
    comparison = _("{better} points over ‘{rule}’ ({trials} in which they differ)")
    told = [
        comparison.format(
            better=fitted_words.signed_with(each.better.mean, each.better.error),
            rule=_(RULES.get(each.rule, each.rule)),
            trials=formats.trials(each.differing),
        )
        for each in version.won
    ]
    sentence = _(
        "Held against rules of thumb, in trials held out and among the bows at hand, the best of the {bows} that it names first "
        "wins {told}."
    )
    return (sentence.format(bows=formats.counted(version.won[0].bows), told=formats.listed(told)),)


def _verdict(checkup: CheckUp) -> str:
    if checkup.error.mean >= checkup.tier_mean.mean:
        return _("So far it is no better than the model’s mean: go by the model, and by your ear.")
    better = formats.percent(1 - (checkup.error.mean / checkup.tier_mean.mean) ** 2)
    return _("That takes away {share} of the model mean’s squared error.").format(share=better)


def _checkup_head() -> tuple[str, ...]:
    """Return the headings over `checkup_cells`."""
    return _("Our estimate’s error"), _("Model mean’s error"), _("Intervals held"), _("Short of the best"), _("Ratings")


def _checkup_cells(checkup: CheckUp) -> tuple[str, ...]:
    """Return one check-up as cells of a table, ± one standard error."""
    coverage = "–" if checkup.coverage is None else formats.percent(checkup.coverage.mean)
    regret = "–" if checkup.regret is None else _figure(checkup.regret)
    return _figure(checkup.error), _figure(checkup.tier_mean), coverage, regret, formats.number(checkup.ratings, 0)


def _figure(figure: Figure) -> str:
    return fitted_words.more_or_less(figure.mean, figure.error)


def _errors_told(checked: Checked) -> str:
    """Return the picture of errors in words."""
    told = _("Version {version}: our estimate {model}, model mean {tier_mean}.")
    said = []
    for version, checkup in checked:
        model, tier_mean = (formats.number(of.mean, 2) for of in (checkup.error, checkup.tier_mean))
        said.append(told.format(version=version.number, model=model, tier_mean=tier_mean))
    return " ".join(said)


def _coverage_told(checked: Checked) -> str:
    """Return the picture of intervals held in words."""
    told = _("Version {version}: {share}.")
    return " ".join(
        told.format(version=version.number, share=formats.percent(checkup.coverage.mean))
        for version, checkup in checked
        if checkup.coverage
    )
