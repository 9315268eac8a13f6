"""Trials: the list, one with its next step, and every step by which it goes on. A refused step shows its page again, with why."""

from collections.abc import Mapping
from dataclasses import replace
from functools import partial

from fastapi import APIRouter, Request
from fastapi.responses import Response
from sqlalchemy.orm import Session

from service.core import formats
from service.core.errors import ConflictError, InvalidInputError
from service.core.formats import capital
from service.core.language import _
from service.core.paging import Leaf
from service.trials import (
    asking_page,
    compose_form,
    desk_lines,
    desk_reads,
    desk_words,
    lifecycle,
    list_queries,
    outcomes,
    paired_comparison,
    parcels,
    prices_paid,
    rater_links,
    sheets,
    trial_words,
)
from service.trials.correcting_page import bow_named
from service.trials.desk_records import TrialRow
from service.trials.trial_view import CONDITION, OWN, Asked, Stepped, ToRun, Views
from service.web import desk_frame, list_files, list_filters
from service.web.database_sessions import Reading
from service.web.desk_forms import ListPage, first, paged, today
from service.web.device_requests import signer
from service.web.page_data import Page, Tab
from service.web.permissions import Fields

router = APIRouter(prefix="/desk/trials")
FILES = "files"
"""In the place of a state: trials that were read from files."""
_HANDING, _OUTCOME, _PARCEL = "#handing-title", "#outcome-title", "#parcel-title"


@router.get("")
async def listed(request: Request, staff: Views, session: Reading, state: str = "", after: str = "") -> Response:
    """List the trials, newest first; of one state where it is asked for, or those that were read from files."""
    files = state == FILES
    state = state if files or state in desk_words.STATES else ""
    query = list_filters.read(request.query_params, "/desk/trials", list_queries.trials(), state=state)
    wanted = query.wanted

    def page_of(session: Session, after: str) -> Leaf[TrialRow]:
        if files:
            return desk_reads.trials_from_files(session, staff.dealer, after, wanted)
        return desk_reads.trials(session, staff.dealer, state or None, after=after, wanted=wanted)

    if query.as_file:
        return list_files.saved(request, staff, "trials", list_queries.trial_head(), page_of, list_queries.trial)
    tabs = (
        Tab(capital(_(label)), f"/desk/trials?state={name}", name == state) for name, label in desk_words.STATES.items()
    )
    found = page_of(session, after)
    page = ListPage(
        title=_("Trials"),
        tabs=(
            Tab(_("All"), "/desk/trials", not state),
            *tabs,
            Tab(_("From files"), f"/desk/trials?state={FILES}", files),
        ),
        tabs_label=_("Which trials"),
        query=query,
        note=_counted(desk_reads.trial_counts(session, staff.dealer)),
        lines=found.each(desk_lines.trial_line),
        empty=_("No trial is found; search for less, or for another part.") if query.values else _("No trials yet."),
        **paged(found, query.href, begins=not after),
    )
    return desk_frame.show(request, staff, "web/desk_list.html", page)


def _counted(counts: Mapping[str, int]) -> str:
    planned, being_played = (formats.number(counts.get(state, 0), 0) for state in ("planned", "open"))
    return _("Trials composed here: {count}, of them planned: {planned}, being played: {open}.").format(
        count=formats.number(sum(counts.values()), 0), planned=planned, open=being_played
    )


@router.get("/{key}")
async def show(at: Asked) -> Response:
    """Show one trial."""
    return at.show()


@router.post("/{key}/open")
async def open_(at: Stepped) -> Response:
    """Let the bows of a trial in the shop go out."""
    return at.do(_("The trial is open: on a tablet choose it from the list."), lifecycle.open_)


@router.post("/{key}/send")
async def send(at: Stepped) -> Response:
    """Send the parcel, each bow with its condition."""
    return at.do(_("The parcel is on its way."), partial(lifecycle.send, condition=_conditions(at.form)))


@router.post("/{key}/confirm")
async def confirm(at: Stepped) -> Response:
    """Take down who confirmed that the materials may cross the border."""

    def verb(session: Session, user: int, dealer: str, key: str) -> None:
        person = first(at.form, "by")
        if not person:
            raise InvalidInputError([("by", _("Name who confirmed it; it is recorded with the trial."))])
        lifecycle.confirm_materials(session, user, dealer, key, person)

    return at.do(_("Confirmed; the parcel may be sent."), verb)


@router.post("/{key}/take-back")
async def take_back(at: Stepped) -> Response:
    """Take the bows back, each with its condition."""

    def verb(session: Session, user: int, dealer: str, key: str) -> None:
        told = _conditions(at.form)
        # Those without a word are still out; where nothing is said at all, it is asked for every one.
        lifecycle.take_back(session, user, dealer, key, {copy: note for copy, note in told.items() if note} or told)

    return at.do(_("The bows are back in the stock."), verb)


@router.post("/{key}/close")
async def close(at: Stepped) -> Response:
    """Close a trial; where sheets are missing it is asked first."""
    asked = "" if asking_page.is_sure(at) else asking_page.before_closing(at)
    if asked:
        return desk_frame.see(at.request, asked)
    return at.do(_("The trial is closed."), lifecycle.close)


@router.post("/{key}/cancel")
async def cancel(at: Stepped) -> Response:
    """Give a trial up."""
    return at.do(_("The trial is cancelled; its sheets are kept."), lifecycle.cancel)


@router.post("/{key}/move")
async def move(at: Stepped) -> Response:
    """Move a planned trial to another day or hour."""

    def verb(session: Session, user: int, dealer: str, key: str) -> None:
        lifecycle.move(session, user, dealer, key, compose_form.when(at.form))

    return at.do(_("The trial is moved; its bows are set aside for the new day."), verb)


@router.post("/{key}/swap")
async def swap(at: Stepped) -> Response:
    """Exchange, add or drop a bow of a planned trial."""

    def verb(session: Session, user: int, dealer: str, key: str) -> None:
        taken_out, put_in = first(at.form, "out") or None, first(at.form, "into") or None
        if taken_out is None and put_in is None:
            raise ConflictError(_("Choose a bow to take out, one to put in, or both."))
        lifecycle.swap(session, user, dealer, key, taken_out, put_in)

    return at.do(_("The case is changed; print the papers again."), verb)


@router.post("/{key}/count")
async def count(at: Stepped) -> Response:
    """Let another sheet of a place count."""

    def verb(session: Session, user: int, dealer: str, key: str) -> None:
        sheet = first(at.form, "sheet")
        if not (sheet.isascii() and sheet.isdigit() and len(sheet) < 10):
            raise ConflictError(_("Choose one of the sheets of this trial."))
        sheets.count(session, user, dealer, key, int(sheet))

    return at.do(_("This sheet counts now."), verb)


@router.post("/{key}/seat")
async def seat(at: Stepped) -> Response:
    """Make the link by which a player or a listener rates on a phone."""
    rater = first(at.form, "rater")

    def verb(session: Session, user: int, dealer: str, key: str) -> None:
        if rater not in desk_words.RATERS:
            raise ConflictError(_("A link is for the player or for a listener."))
        rater_links.open_seat(session, user, dealer, key, rater, signer=signer(at.request))

    return at.do(_("The link is made."), verb, f"#seat-{rater}")


@router.post("/{key}/head-to-head")
async def pairs(at: Stepped) -> Response:
    """Begin or end a head-to-head of two bows."""
    if first(at.form, "go") == "end":
        return at.do(_("It is ended as it stands."), paired_comparison.end, _HANDING)
    two = (_letter(at.form, "one"), _letter(at.form, "other"))
    begins = _("It begins: the tablet asks for the first pair.")
    return at.do(begins, partial(paired_comparison.start, letters=two), _HANDING)


@router.get("/{key}/reveal")
async def ask_to_reveal(at: ToRun) -> Response:
    """Ask whether the key is to be revealed."""
    trial = desk_reads.trial(at.session, at.staff.dealer, at.key, today())
    if trial.revealed_at is not None:
        return at.show(notice=_("The key is revealed."))
    if "reveal" not in trial.may:
        return at.show(notice=_("There is no key to reveal here."), status=409)
    title = _("Reveal the key of {trial}?").format(trial=desk_lines.trial_number(trial.row.number, at.key))
    left = trial_words.progress(trial.row.sheets_in, trial.row.sheets_of)
    return desk_frame.show(at.request, at.staff, "trials/reveal.html", Page(title=title), key=at.key, left=left)


@router.post("/{key}/reveal")
async def reveal(at: Stepped) -> Response:
    """Reveal which bow is behind which letter."""
    return at.do(_("The key is revealed."), lifecycle.reveal)


@router.post("/{key}/outcome")
async def outcome(at: Stepped) -> Response:
    """Record what came of a trial, by one tap, and while it is played by a second; more bows asked for leads on to the next."""
    what, reason, serial = asking_page.split(first(at.form, "what"))

    def verb(session: Session, user: int, dealer: str, key: str) -> None:
        if what not in desk_words.OUTCOMES:
            raise ConflictError(_("Choose what came of it."))
        why = reason if reason in desk_words.REASONS else None
        paid = prices_paid.read(*(first(at.form, name) for name in asking_page.MONEY))
        outcomes.record(session, user, dealer, key, what, bow_named(session, dealer, key, serial), why, today(), paid)

    asked = None if asking_page.is_sure(at) or what not in desk_words.OUTCOMES else asking_page.before_outcome(at)
    if asked is not None:
        return asked

    target = f"/desk/compose?previous={at.key}" if what == "more_asked" else ""
    return at.do(_("Recorded."), verb, _OUTCOME, target)


@router.post("/{key}/parcel")
async def describe(at: Stepped) -> Response:
    """Keep where the parcel goes, by whom, and its number."""
    given = {name: first(at.form, name) for name in ("address", "carrier", "number")}
    return at.do(_("Kept with this trial."), partial(parcels.describe, given=given), _PARCEL)


@router.post("/{key}/arrived")
async def arrived(at: Stepped) -> Response:
    """Note that the parcel is with the player."""
    return at.do(_("The parcel has arrived."), parcels.arrived, _PARCEL)


@router.post("/{key}/extend")
async def extend(at: Stepped) -> Response:
    """Let the bows stay longer."""

    def verb(session: Session, user: int, dealer: str, key: str) -> None:
        day = compose_form.day("new_due", first(at.form, "new_due"))
        if day is None:
            raise InvalidInputError([("new_due", _("Say by which day the bows are expected back, as 2026-11-30."))])
        parcels.extend(session, user, dealer, key, day)

    return at.do(_("The bows may stay until then; the player is told where mail was agreed to."), verb, _PARCEL)


@router.post("/{key}/paid")
async def paid(at: Stepped) -> Response:
    """Take down what was paid for a bow that was kept, or take it back; its fields have the bow after their names."""
    bow = first(at.form, "bow")
    price, note, seen = (first(at.form, f"{name}.{bow}") for name in ("price", "note", "seen"))

    def verb(session: Session, user: int, dealer: str, key: str) -> None:
        try:
            told = prices_paid.read(price, note, first(at.form, "price_asked"))
            outcomes.pay(session, user, dealer, key, bow, told, seen)
        except InvalidInputError as wrong:
            raise InvalidInputError([replace(each, path=f"{each.path}.{bow}") for each in wrong.problems]) from wrong

    return at.do(_("Kept."), verb, _OUTCOME)


def _letter(form: Fields, name: str) -> str:
    letter = first(form, name)
    return paired_comparison.OWN_LETTER if letter == OWN else letter


def _conditions(form: Fields) -> dict[str, str]:
    """Return the condition of each bow by serial."""
    return {name.removeprefix(CONDITION): first(form, name) for name in form if name.startswith(CONDITION)}
