"""What a fit says to whoever ran it, in plain words."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from model.evaluation import (
    FEWEST_PLAYERS,
    ClusteredMean,
    Decision,
    EvaluationReport,
    PolicyComparison,
    PromotionReason,
    StageScores,
)
from model.preference import FittedModel
from service.core.language import N_, _


def fitted(version: int, posterior: FittedModel) -> tuple[str, ...]:
    """Return what the version was fitted to, and what one rating is made of."""
    trials, copies = sum(posterior.trials.values()), len({copy for copy, _ in posterior.levels})
    parts = {
        "player": posterior.player_sd,
        "copy": posterior.copy_sd,
        "match": posterior.match_sd,
        "repeat": posterior.repeat_sd,
    }
    shares = ", ".join(f"{name} {sd[0]:.2f}" for name, sd in parts.items())
    return (
        f"Version {version}: fitted to {trials} trials with {int(posterior.rows[0])} overall ratings of {copies} copies.",
        f"Where one overall rating comes from, in points (standard deviation): {shares}.",
    )


def checked(report: EvaluationReport) -> Iterator[str]:
    """Give what the check-up found, each figure with its standard error, as lines of text."""
    if report.by_player is None:
        yield "Fewer than five players: no check on players held out of the fit is possible yet."
        return
    copies = " (new copies: a third of all copies at a time)" if report.by_copy is not None else ""
    yield (
        f"Checked on {report.players} players held out, a fifth at a time{copies}. Error (root mean square) and what the first choice "
        "falls short of the best bow (regret), in points; ± is one standard error, counted by player, for new copies by copy."
    )
    rows = [_row(f"after {state.told} own ratings", state) for state in report.by_player.overall]
    if report.by_copy is not None:
        rows += [_row(f"new copies, {state.told} ratings", state) for state in report.by_copy.overall[:1]]
    yield from _table(HEAD, rows)
    yield from _strokes(report)
    yield from _bench(report)
    yield from _chances(report)
    yield from (_win(win) for win in report.wins if win.differing > 1)


def _strokes(report: EvaluationReport) -> Iterator[str]:
    found = report.strokes
    if found is None:
        return
    line = f"Playable range, of eight strokes: {found.runs} runs of {found.players} players on {found.copies} copies"
    if found.error is None or found.gain is None:
        yield f"{line}; too few players to foretell others."
        return
    yield (
        f"{line}; error on players held out {found.error:.2f}, tier's mean {found.tier_mean:.2f}; squared error less by "
        f"{found.gain.signed()}."
    )


HEAD = ("", "error", "tier's mean", *("held", "told", "width") * 2, "regret", "tier's mean")


def _row(name: str, state: StageScores) -> tuple[str, ...]:
    by_method = {score.method: score for score in state.scores}
    model, tier = by_method["model"], by_method["tier mean"]
    held = [
        cell
        for interval in model.inside
        for cell in (
            f"{100 * interval.share.mean:.1f} ± {100 * interval.share.error:.1f}",
            f"{100 * interval.told:.1f}",
            f"{interval.width:.2f}",
        )
    ]
    regrets = [str(score.regret) if state.choices > 1 else "" for score in (model, tier)]
    return (name, str(model.rmse), str(tier.rmse), *held, *regrets)


def _table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> Iterator[str]:
    """Give lines of text, the first column to the left, the others to the right."""
    widths = [max(len(cell) for cell in column) for column in zip(head, *rows, strict=True)]
    for cells in (head, *rows):
        first, *others = zip(cells, widths, strict=True)
        yield "  ".join([first[0].ljust(first[1]), *(cell.rjust(width) for cell, width in others)]).rstrip()


def _bench(report: EvaluationReport) -> Iterator[str]:
    for score in report.by_copy.overall[0].scores if report.by_copy is not None else ():
        if score.method == "without bench traits":
            less = score.better["rmse"]
            said = "they help" if less.mean > 2 * less.error else "whether they help is not told yet"
            changed = ClusteredMean(-less.mean, less.error).signed()
            yield f"Bench traits change the error on new copies by {changed} points: {said}."


def _chances(report: EvaluationReport) -> Iterator[str]:
    found = report.chances
    if found is None:
        return
    scores = {kind: curve.brier for kind, curve in found.curves.items()}
    yield (
        f"Chance to be rated above the own bow, told before the trial: Brier score {scores['of_tier']} of a copy of the tier, "
        f"{scores['of_copy']} of this copy, {found.base} of the share of all ({found.count} bows)."
    )
    if found.goodness is not None:
        used = "none is used" if found.slope == 1.0 else f"slope {found.slope:.2f} on the logit"
        yield (
            f"Told against what came true, over {found.goodness.bins} bins: chi-square {found.goodness.statistic:.1f}, "
            f"p {found.goodness.p:.3f}; recalibration: {used}."
        )


def _win(win: PolicyComparison) -> str:
    return (
        f"Of the bows that each trial held, the {win.bows} named first win {win.better.signed()} points against {win.rule}, "
        f"where the two differ ({win.differing} of {win.trials} trials)."
    )


WHY = {
    PromotionReason.FIRST: N_("Nothing was in use before."),
    PromotionReason.UNREADABLE: N_("The version in use cannot be read."),
    PromotionReason.SAME_KIND: N_(
        "It is of the same kind as the version in use, fitted to what there is now: {players} players have come since, and "
        "fewer than {fewest} decide nothing."
    ),
    PromotionReason.OTHER_KIND: N_(
        "It is of another kind than the version in use: {players} players have come since, and fewer than {fewest} decide "
        "nothing."
    ),
    PromotionReason.NOT_WORSE: N_(
        "It is not worse than the version in use on {players} players whom neither has seen: log loss by {worse} a rating."
    ),
    PromotionReason.WORSE: N_(
        "It is worse than the version in use on {players} players whom neither has seen: log loss by {worse} a rating."
    ),
    PromotionReason.WORSE_THAN_BEST: N_(
        "It is worse than version {best}, the best of the last year: log loss by {worse_than_best} a rating."
    ),
}


def damaged(version: int, instead: int | None) -> str:
    """Return that the version in use is damaged and what stands in for it."""
    sentence = (
        _(
            "Version {version} is in use and cannot be read. The starting values stand in; have our estimate fitted anew."
        )
        if instead is None
        else _(
            "Version {version} is in use and cannot be read. Version {instead} stands in; have our estimate fitted anew."
        )
    )
    return sentence.format(version=version, instead=instead)


def decided(decision: Decision) -> str:
    """Return why a version was adopted, or stays a candidate, in the reader's language."""
    values = {"players": decision.players, "fewest": FEWEST_PLAYERS, "best": decision.best}
    compared = {"worse": decision.worse, "worse_than_best": decision.worse_than_best}
    return _(WHY[decision.why]).format(
        **values, **{name: difference and difference.signed() for name, difference in compared.items()}
    )


def why(report: Mapping[str, Any]) -> str:
    """Return the same of a version's stored report; empty where it has none. A very old one has a sentence instead."""
    stored = report.get("decision")
    return decided(Decision.from_json(stored)) if stored else str(report.get("why", ""))


def adopted(version: int, decision: Decision) -> str:
    """Return the last line: in use, or how to put it in use."""
    if decision.adopt:
        return f"Adopted. {decided(decision)}"
    return (
        f"Not adopted, version {version} stays a candidate. {decided(decision)} "
        f"To use it all the same: python -m service fit --adopt {version}"
    )
