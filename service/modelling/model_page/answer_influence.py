"""How often each answer changes the advice, as it was found when the version was fitted."""

from collections.abc import Mapping

from service.core import formats
from service.core.language import _
from service.modelling.model_page.model_page_data import Passage, Table
from service.questionnaire.answer_summary import ANSWERS

WHAT = ("anything", "verdict", "first_tier", "bows", "chance")


def shown(counts: Mapping[str, Mapping[str, int]]) -> Passage | None:
    """Return it as a table, the answers that change most first; None where nothing was looked at."""
    known = {answer: count for answer, count in counts.items() if answer in ANSWERS and count.get("given")}
    if not known:
        return None
    order = sorted(known, key=lambda answer: -known[answer].get("anything", 0) / known[answer]["given"])
    said = _(
        "Players on record were asked again with each of their answers left out in turn: this often something else would have been "
        "advised."
    )
    return Passage(
        (said,), Table(_("What each answer changes"), _head(), tuple(_row(each, known[each]) for each in order))
    )


def _head() -> tuple[str, ...]:
    return (_("Answer"), _("Given by"), _("Anything"), _("Verdict"), _("First model"), _("Bows"), _("Chance"))


def _row(answer: str, of: Mapping[str, int]) -> tuple[str, ...]:
    shares = (formats.percent(of.get(what, 0) / of["given"]) for what in WHAT)
    return (_(ANSWERS[answer]), formats.number(of["given"], 0), *shares)
