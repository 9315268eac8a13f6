"""What mails tell of a trial, in words: its ratings, what was kept, whose it was. No serial ever stands in them."""

from collections.abc import Mapping

from sqlalchemy import select
from sqlalchemy.orm import Session

from model.domain.vocabulary import OutcomeKind
from service import tables
from service.core import formats
from service.core.language import N_, _
from service.tables import Copy, Outcome, Run, Slot, Tier, Trial, newest_run

OUTCOMES: Mapping[str, str] = {
    OutcomeKind.KEPT: N_("a bow was kept"),
    OutcomeKind.MORE_ASKED: N_("more bows were asked for"),
    OutcomeKind.NONE: N_("no bow was kept"),
    OutcomeKind.RETURNED: N_("the bow came back"),
}
"""What came of a trial, for the dealer."""


def tier_name(session: Session, copy: str | None) -> str:
    """Return the name of a copy's tier, empty where there is none."""
    name = session.scalar(select(Tier.name).join(Copy, Copy.tier == Tier.slug).where(Copy.serial == copy))
    return name or ""


def newest_outcome(session: Session, trial: Trial) -> Outcome | None:
    """Return what a trial has come to so far, None where nothing is recorded."""
    return session.scalar(
        select(Outcome)
        .where(Outcome.trial == trial.id, tables.newest_outcome())
        .order_by(*(column.desc() for column in tables.outcome_order()))
        .limit(1)
    )


def ratings(session: Session, trial: Trial, *, revealed: bool) -> list[str]:
    """Return what the player said of each bow as a whole, best first; until it is revealed a bow is its letter only."""
    rows = session.execute(
        select(Slot.letter, Run.copy, Run.overall)
        .join(Slot, (Slot.trial == Run.trial) & (Slot.position == Run.position))
        .where(Run.trial == trial.id, Run.rater == "player", newest_run())
        .order_by(Slot.position)
    )
    marks: dict[tuple[str, str | None], list[int]] = {}
    for letter, copy, overall in rows:
        if overall is not None:
            marks.setdefault(("", None) if copy is None else (letter, copy), []).append(overall)
    merged = _merged(marks)
    best_first = sorted(merged, key=lambda bow: -bow[2])
    return [_rated(session, letters, copy, mean, revealed=revealed) for letters, copy, mean in best_first]


def _merged(marks: Mapping[tuple[str, str | None], list[int]]) -> list[tuple[str, str | None, float]]:
    """Return letters, copy and mean of each bow; a bow that was played under two letters stands once."""
    letters: dict[str | None, list[str]] = {}
    values: dict[str | None, list[int]] = {}
    for (letter, copy), given in marks.items():
        letters.setdefault(copy, []).append(letter)
        values.setdefault(copy, []).extend(given)
    return [(formats.listed(letters[copy]), copy, sum(values[copy]) / len(values[copy])) for copy in letters]


def _rated(session: Session, letters: str, copy: str | None, mean: float, *, revealed: bool) -> str:
    if copy is None:
        bow = _("Your own bow")
    elif revealed:
        bow = _("Bow {letters} ({tier})").format(letters=letters, tier=tier_name(session, copy))
    else:
        bow = _("Bow {letters}").format(letters=letters)
    return _("{bow}: {mark} of 7").format(bow=bow, mark=formats.number(mean).removesuffix(".0").removesuffix(",0"))


def kept(session: Session, trial: Trial) -> str:
    """Return what came of a trial in a sentence for the player; empty while nothing is recorded."""
    outcome = newest_outcome(session, trial)
    if outcome is None:
        return ""
    sentences = {
        OutcomeKind.KEPT: _("You kept a {tier}. We hope that it serves you well."),
        OutcomeKind.MORE_ASKED: _("You asked to try more bows; we will be in touch about the next ones."),
        OutcomeKind.NONE: _("You kept none of them. That is an answer too: what you rated helps us to choose better."),
        OutcomeKind.RETURNED: _("You gave back the {tier}."),
    }
    return sentences[outcome.outcome].format(tier=tier_name(session, outcome.copy))
