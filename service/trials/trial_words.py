"""What the desk says of one trial: where it stands, the one next step, the standing of its bows, its sheets."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from model.domain.vocabulary import CARRYING, SCALES, Criterion
from service.core import formats, times
from service.core.language import _, ngettext
from service.trials import desk_lines, desk_words
from service.trials.desk_records import OutcomeRow, SheetRow, TrialPage
from service.trials.standing import BowStanding


@dataclass(frozen=True, slots=True)
class NextAction:
    """The one next step of a trial: why, and what its button says. ``name`` is the last part of its address."""

    name: str
    why: str
    button: str


def next_step(trial: TrialPage) -> NextAction | None:
    """Return the one next step of a trial; None where nothing is left to do."""
    return next(_steps(trial), None)


def _steps(trial: TrialPage) -> Iterator[NextAction]:
    """Yield what may be done now, the most needed first."""
    may, in_shop = trial.may, not desk_lines.is_by_post(trial.row)
    if trial.materials.waits and "confirm" in may:
        yield NextAction("confirm", _confirm(trial), _("The materials are confirmed"))
    if "send" in may:
        why = _("Say in what condition each bow leaves; then the parcel is on its way.")
        yield NextAction("send", why, _("The parcel is sent"))
    if "open" in may:
        yield NextAction("open", _("The bows go out, and the trial can be picked on a tablet."), _("Open the trial"))
    if "close" in may and in_shop:
        why = _("When the last bow is played, close it: the bows go back into the stock.")
        yield NextAction("close", why, _("Close the trial"))
    if "take_back" in may:
        why = _("When the bows are back, say in what condition each one came.")
        yield NextAction("take-back", why, _("Take these bows back"))
    if "close" in may:
        yield NextAction("close", _("All bows are back; no more sheets are waited for."), _("Close the trial"))
    if "outcome" in may and not trial.outcomes:
        yield NextAction("outcome", _("What came of it? One tap is enough."), _("Record it"))


def _confirm(trial: TrialPage) -> str:
    bows = formats.listed(trial.materials.copies)
    return _(
        "The parcel crosses a border with listed or unknown material ({bows}). It waits until somebody has confirmed that it may travel."
    ).format(bows=bows)


def state(trial: TrialPage) -> str:
    """Say where a trial stands, with the days that matter."""
    row = trial.row
    if row.state == "planned":
        if row.due_back is None or not desk_lines.is_lent(row):
            return _("Planned for {day}").format(day=formats.day_and_hour(row.on, row.hour))
        return _("Planned for {first} to {last}").format(first=formats.day(row.on), last=formats.day(row.due_back))
    if row.state == "cancelled":
        return _("Cancelled")
    if row.state == "closed":
        day = times.local(trial.closed_at).date() if trial.closed_at else row.on
        return _("Ended on {day}").format(day=formats.day(day))
    if row.due_back is not None and desk_lines.is_lent(row):
        return _("Being played, due back on {day}").format(day=formats.day(row.due_back))
    return _("Being played. On every tablet of the shop it can be picked from the list.")


def confirmed(trial: TrialPage) -> str:
    """Say who confirmed the materials, and when; empty where it is not needed."""
    materials = trial.materials
    if not materials.needed:
        return ""
    if materials.confirmed_at is None:
        return _("The parcel waits until somebody has confirmed its materials.")
    day = times.day(materials.confirmed_at)
    if not materials.confirmed_by:
        return _("Materials confirmed on {day}.").format(day=day)
    return _("Materials confirmed by {name} on {day}.").format(name=materials.confirmed_by, day=day)


def promised(plan: Mapping[str, Any]) -> str:
    """Say what was promised when the trial was composed; empty where that is not known."""
    chance = plan.get("chance")
    if chance is None or plan.get("basis") == "prior":
        return ""
    return _("{chance} that at least one beats the own bow").format(chance=formats.chance(chance))


def repeat(trial: TrialPage) -> str:
    """Say whether a bow comes again under another letter."""
    if not trial.repeat:
        return ""
    return _("One bow comes a second time under another letter: the key says which. Do not tell the player.")


def bow_name(letters: tuple[str, ...], own: bool) -> str:
    """Name a bow by its letter, or letters: 'Bow C', 'Bow C, again as F', 'Own bow'."""
    if own or not letters:
        return _("Own bow")
    first, *again = letters
    name = _("Bow {letter}").format(letter=first)
    return _("{bow}, again as {letters}").format(bow=name, letters=formats.listed(again)) if again else name


def best(bow: BowStanding) -> str:
    """Say how likely a bow is the best one here."""
    return formats.chance(bow.best) if bow.best is not None else _("not rated yet")


def progress(done: int, everything: int) -> str:
    """Say how many sheets are in."""
    return ngettext("{done} of {all} sheet is in.", "{done} of {all} sheets are in.", everything).format(
        done=done, all=everything
    )


def rating(value: object) -> str:
    """Return one mark: a number, words where it could not be told, a dash where it was not asked."""
    if value is None:
        return "–"
    return _("cannot tell") if value in ("cannot_tell", "?") else str(value)


def criterion(name: str) -> str:
    """Return a criterion's short name, the listener's own included."""
    return _("Carrying") if name == CARRYING else _(SCALES[Criterion(name)].name)


def sender(sheet: SheetRow) -> str:
    """Say whose sheet it is and when it came."""
    who = _(desk_words.RATERS[sheet.rater])
    if sheet.sender.startswith("paper: "):
        name, day = sheet.sender.removeprefix("paper: "), times.day(sheet.received_at)
        return _("{who}, from paper, typed in by {name} on {day}").format(who=formats.capital(who), name=name, day=day)
    return _("{who}, {moment}").format(who=formats.capital(who), moment=times.moment(sheet.received_at))


def outcome(row: OutcomeRow) -> str:
    """Return what came of a trial, with the day."""
    return ", ".join([outcome_short(row), formats.day(row.on)])


def outcome_noted(row: OutcomeRow) -> str:
    """Return what came of a trial, with the day and the note."""
    return " ".join([outcome(row), *([_("‘{note}’").format(note=row.note)] if row.note else [])])


def outcome_short(row: OutcomeRow) -> str:
    """Return what came of a trial, without the day."""
    said = formats.capital(_(desk_words.OUTCOMES[row.outcome]))
    if row.copy:
        said = _("{outcome}: {bow}").format(outcome=said, bow=row.copy)
    if row.reason:
        said = _("{outcome}; reason: {reason}").format(outcome=said, reason=_(desk_words.REASONS[row.reason]))
    if row.price is not None and row.currency is not None:
        said = _("{outcome}; paid: {price}").format(outcome=said, price=formats.money(row.price, row.currency))
    return said
