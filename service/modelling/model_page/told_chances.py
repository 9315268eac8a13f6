"""Whether the chances that the advice tells come true: the check-up's bins, its test, and the recalibration in use."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from model.preference import LIKING_SLOPE, NO_RECALIBRATION
from service.core import formats
from service.core.language import N_, _
from service.modelling import fitted_words
from service.modelling.model_page.model_page_data import Passage, Table

KINDS = {
    "of_tier": N_("A bow of the model, not yet played"),
    "of_copy": N_("A bow by name"),
    "best": N_("The best of the bows of a trial"),
}


@dataclass(frozen=True, slots=True)
class ChanceBin:
    """Chances of a kind between ``low`` and ``high``: how many, the mean told, the share that came true and its standard error."""

    kind: str
    low: float
    high: float
    count: int
    told: float
    came: float
    error: float | None


@dataclass(frozen=True, slots=True)
class Chances:
    """What the check-up found of chances; ``p``, ``statistic``, ``bins``: of its test, None where there were too few players."""

    lines: tuple[ChanceBin, ...]
    p: float | None
    statistic: float | None
    bins: int | None
    slope: float  # of the recalibration that marks needed, 1 without one


def read(report: Mapping[str, Any]) -> Chances | None:
    """Return what a stored check-up found; None where it found nothing, or is of before it looked."""
    stored = report.get("chances")
    if not stored:
        return None
    goodness = stored.get("goodness") or {}
    lines = tuple(
        ChanceBin(
            kind, bin_["low"], bin_["high"], bin_["count"], bin_["told"], bin_["won"]["mean"], bin_["won"]["error"]
        )
        for kind in KINDS
        for bin_ in stored.get("curves", {}).get(kind, {}).get("bins", ())
    )
    tested = {name: goodness.get(name) for name in ("p", "statistic", "bins")}
    return Chances(lines=lines, slope=float(stored.get("slope") or NO_RECALIBRATION), **tested)


def shown(found: Chances | None) -> Passage | None:
    """Return it in sentences, with the bins as a table; None where there is nothing to show."""
    if found is None or not found.lines:
        return None
    return Passage((_what(), _of_liking(), *_whether(found)), _table(found))


def _what() -> str:
    return _(
        "Chances are held against marks of players held out: of the bows said to be rated above the own one with so much "
        "probability, as many should be."
    )


def _whether(found: Chances) -> list[str]:
    if found.p is None or found.statistic is None or found.bins is None:
        return [_("There are too few players yet to say whether they come true.")]
    test = _("Chi-square {statistic} over {bins} bins; by chance alone it is as large in {share} of cases.").format(
        statistic=formats.number(found.statistic, 1),
        bins=formats.number(found.bins, 0),
        share=formats.percent(found.p),
    )
    if found.slope == NO_RECALIBRATION:
        return [test, _("What our estimate says of marks is in keeping with that.")]
    if found.slope < NO_RECALIBRATION:
        sentence = _(
            "That is too much for chance: they were told too boldly. Every chance is therefore told closer to a half (factor "
            "{slope} on the log odds)."
        )
    else:
        sentence = _(
            "That is too much for chance: they were told too timidly. Every chance is therefore told further from a half (factor "
            "{slope} on the log odds)."
        )
    return [test, sentence.format(slope=formats.number(found.slope, 2))]


def _of_liking() -> str:
    return _(
        "What players are told is the chance of truly liking a bow better, which no mark shows. In invented worlds unlike what our estimate supposes, such chances came true a little nearer to a half than it says, so they are told nearer to a half (factor {slope} on the log odds)."
    ).format(slope=formats.number(LIKING_SLOPE, 2))


def _table(found: Chances) -> Table:
    return Table(
        name=_("Chances told and what came true, on players held out"),
        head=(_("Chance of"), _("Told between"), _("Told on average"), _("Came true, of a hundred"), _("How many")),
        rows=tuple(_cells(line) for line in found.lines),
    )


def _cells(line: ChanceBin) -> tuple[str, ...]:
    interval = _("{low} and {high}").format(low=formats.percent(line.low), high=formats.percent(line.high))
    came = fitted_words.more_or_less(100 * line.came, None if line.error is None else 100 * line.error, 0)
    return _(KINDS[line.kind]), interval, formats.percent(line.told), came, formats.number(line.count, 0)
