"""What is asked before a trial is ended, or opened again: pages that need no script, whose second button does it."""

from urllib.parse import quote

from fastapi import APIRouter
from fastapi.responses import Response

from service.core import formats
from service.core.errors import InvalidInputError
from service.core.language import _, ngettext
from service.trials import desk_lines, desk_reads, desk_words, prices_paid, reopening, trial_page, trial_words
from service.trials.correcting_page import bow_named
from service.trials.desk_records import TrialPage
from service.trials.trial_data import AskView
from service.trials.trial_view import AtTrial, Stepped, ToRun
from service.web import desk_frame
from service.web.desk_forms import address, first, today

router = APIRouter(prefix="/desk/trials")

SURE = "sure"
"""The field that says that it was asked."""
MONEY = ("price", "note", "price_asked")
"""The fields of what was paid; the last holds a price that was asked about."""


def is_sure(at: AtTrial) -> bool:
    """Say whether a form comes from the page that asked."""
    return first(at.form, SURE) == "yes"


def before_closing(at: AtTrial) -> str:
    """Return where it is asked whether a trial is to be closed; empty where no sheet is missing, or it is not open."""
    trial = desk_reads.trial(at.session, at.staff.dealer, at.key, today())
    return f"{address('trials', at.key)}/close" if trial.row.state == "open" and _missing(trial) else ""


def before_outcome(at: AtTrial) -> Response | None:
    """Ask whether an outcome is meant; None where the trial is over, or its price is to be typed again."""
    trial = desk_reads.trial(at.session, at.staff.dealer, at.key, today())
    price, note, asked_about = (first(at.form, name) for name in MONEY)
    try:
        prices_paid.read(price, note, asked_about)
    except InvalidInputError:
        return None
    if trial.row.state != "open":
        return None
    if price or note:
        return _ask_for_outcome(at, trial, first(at.form, "what"))
    return desk_frame.see(at.request, f"{address('trials', at.key)}/outcome?what={quote(first(at.form, 'what'))}")


@router.get("/{key}/close")
async def ask_to_close(at: ToRun) -> Response:
    """Ask whether a trial is to be closed, and say which sheets are missing."""
    trial = desk_reads.trial(at.session, at.staff.dealer, at.key, today())
    if "close" not in trial.may:
        return at.show(notice=_("This trial is not open; there is nothing to close."), status=409)
    page = _ask(
        at, trial, title=_("Close this trial?"), action="close", button=_("Yes, close it"), no=_("Go on playing")
    )
    return desk_frame.show(at.request, at.staff, "trials/ask.html", page)


@router.get("/{key}/outcome")
async def ask_for_outcome(at: ToRun, what: str = "") -> Response:
    """Ask whether what came of a trial is to be recorded while it is played."""
    trial = desk_reads.trial(at.session, at.staff.dealer, at.key, today())
    if trial.row.state != "open" or split(what)[0] not in desk_words.OUTCOMES:
        return at.show(notice=_("Choose what came of it."), status=409)
    return _ask_for_outcome(at, trial, what)


def _ask_for_outcome(at: AtTrial, trial: TrialPage, what: str) -> Response:
    told = [(name, first(at.form, name)) for name in MONEY]
    page = _ask(
        at,
        trial,
        title=_("Record this, and close the trial?"),
        about=_outcome(at, *split(what), price=first(at.form, "price")),
        action="outcome",
        fields=(("what", what), *(field for field in told if field[1])),
        button=_("Yes, record it and close the trial"),
        no=_("Go on playing"),
    )
    return desk_frame.show(at.request, at.staff, "trials/ask.html", page)


@router.get("/{key}/reopen")
async def ask_to_reopen(at: ToRun) -> Response:
    """Ask whether a closed trial is to be opened again, and say what that undoes."""
    trial = desk_reads.trial(at.session, at.staff.dealer, at.key, today())
    if "reopen" not in trial.may:
        return at.show(notice=_("This trial cannot be opened again."), status=409)
    page = AskView(
        title=_("Open this trial again?"),
        about=desk_lines.trial_title(trial.row),
        lead=_("Its bows are out again as they were, its links lead to the sheets, and the tablets show it."),
        heading=_("Taken out, and kept in the record of what was done"),
        lines=tuple(trial_words.outcome(row) for row in trial.outcomes),
        after=_("A mail to the player that has not gone out is taken back; one that has gone out cannot be."),
        action=f"{address('trials', at.key)}/reopen",
        fields=((SURE, "yes"),),
        button=_("Yes, open it again"),
        back=address("trials", at.key),
        no=_("Leave it closed"),
    )
    return desk_frame.show(at.request, at.staff, "trials/ask.html", page)


@router.post("/{key}/reopen")
async def reopen(at: Stepped) -> Response:
    """Open a closed trial again."""
    return at.do(_("The trial is open again."), reopening.reopen)


def split(what: str) -> tuple[str, str, str]:
    """Return outcome, reason and bow of a tap; empty what is not given."""
    outcome, reason, serial = (*what.split(" ", 2), "", "", "")[:3]
    return outcome, reason, serial


def _missing(trial: TrialPage) -> tuple[str, ...]:
    """Return the places that the player has not rated, in words: 'Bow C, place 3 of 7'."""
    lines = trial_page.order(trial)
    place = _("{bow}, place {number} of {all}")
    return tuple(place.format(bow=line.name, number=line.position, all=len(lines)) for line in lines if not line.done)


def _ask(
    at: AtTrial,
    trial: TrialPage,
    *,
    title: str,
    action: str,
    button: str,
    no: str,
    about: str = "",
    fields: tuple[tuple[str, str], ...] = (),
) -> AskView:
    missing = _missing(trial)
    left = ngettext(
        "One sheet is missing. It can still come in by a link or a tablet while the trial is open.",
        "{count} sheets are missing. They can still come in by a link or a tablet while the trial is open.",
        len(missing),
    )
    return AskView(
        title=title,
        about=desk_lines.trial_title(trial.row),
        lead=about or trial_words.progress(trial.row.sheets_in, trial.row.sheets_of),
        heading=left.format(count=formats.capital(formats.counted(len(missing)))),
        lines=missing,
        after=_("A trial that was closed can be opened again until its key is revealed.")
        if not trial.row.revealed
        else _("A trial that was closed can be opened again."),
        action=f"{address('trials', at.key)}/{action}",
        fields=(*fields, (SURE, "yes")),
        button=button,
        back=address("trials", at.key),
        no=no,
    )


def _outcome(at: AtTrial, outcome: str, reason: str, serial: str, *, price: str) -> str:
    """Say what is about to be recorded: 'Kept: Bow C'."""
    said = formats.capital(_(desk_words.OUTCOMES[outcome]))
    if serial:
        letter = serial.removeprefix(trial_page.BY_LETTER)
        bow = trial_words.bow_name((letter,), own=False) if letter != serial else serial
        bow_named(at.session, at.staff.dealer, at.key, serial)
        said = _("{outcome}: {bow}").format(outcome=said, bow=bow)
    said = f"{said}, {_(desk_words.REASONS[reason])}" if reason in desk_words.REASONS else said
    return _("{outcome}; paid: {price}").format(outcome=said, price=price) if price else said
