"""A trial is composed: from an enquiry, for a walk-in in three taps, or from the trial before.

The page is asked for with what is known in its address, and shows what is advised. Its form is posted to see what another
choice of bows would do (``go`` is ``look``, nothing is written), or to set the bows aside (``set``).
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, TypeVar

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response
from sqlalchemy.orm import Session

from model.domain.vocabulary import Blinding, Instrument, Place
from service.core.errors import ConflictError, InvalidInputError
from service.core.language import N_, _
from service.form import drafts
from service.players import known, overview, tried_bows
from service.questionnaire import answer_summary, asking, tried_fields
from service.trials import compose_form, compose_page, composing, desk_lines, desk_reads, outcomes, walk_in
from service.trials.composing import Proposal
from service.web import desk_frame
from service.web.database_sessions import Reading, reading, writing
from service.web.desk_forms import by_field, faults, first, today
from service.web.page_data import FormPage, Typed
from service.web.permissions import AtDealer, AtDealerNeeds, Fields, Posted
from service.web.roles import Permission

router = APIRouter(prefix="/desk/compose")
Runs = Annotated[AtDealer, Depends(AtDealerNeeds(Permission.TRIALS_RUN))]

T = TypeVar("T")
_ASKED = ("instrument", "budget", "amount", "minutes")
"""What a walk-in is asked in the open; what is asked besides is `walk_in`'s."""
_HIDDEN = ("id", "enquiry", "previous", "player")
_NAMES = {
    "instrument": N_("Instrument"),
    "amount": N_("Budget"),
    "minutes": N_("Time"),
    "copies": N_("Bows"),
    "place": N_("Where"),
    "blinding": N_("Blinding"),
    "on": N_("Day"),
    "due_back": N_("Due back"),
    "country": N_("Country"),
    "repeat": N_("The hidden repeat"),
    "name": N_("Name"),
    "email": N_("E-mail"),
    "phone": N_("Telephone"),
    "consent_advice": N_("Consent"),
}
_ANCHORS = {
    "instrument": "instrument-violin",
    "minutes": "minutes-20",
    "place": "place-shop",
    "blinding": "blinding-blind",
    "repeat": "repeat-yes",
}


@dataclass(frozen=True, slots=True)
class _Basis:
    """What a composition starts from.

    ``body``: the questionnaire's body; None while a walk-in's instrument is not chosen.
    ``who``: whom it is for; None where it is not known. ``known``: their contact is not asked.
    ``walk_in``: the three choices are asked on this page.
    """

    body: Mapping[str, Any] | None
    who: str | None
    known: bool
    walk_in: bool
    currency: str


@router.get("")
async def ask(
    request: Request, staff: Runs, session: Reading, enquiry: str = "", previous: str = "", player: str = ""
) -> Response:
    """Show what is advised for an enquiry, for the trial after another, or ask a walk-in's three questions."""
    kept = desk_frame.kept_fields(request)
    if kept is not None:
        return _show(request, session, staff, kept, chosen=kept.get("copies", ()))
    fields = compose_form.usual(today())
    given = {name: request.query_params.getlist(name) for name in request.query_params}
    sent = {name: values for name, values in given.items() if name in _ASKED or name in walk_in.NAMES}
    sent |= tried_fields.laid_out(given, without=compose_form.dropped(given))
    links = {"enquiry": enquiry, "previous": previous, "player": player}
    fields |= _from_before(session, staff, links) | sent | {name: [value] for name, value in links.items() if value}
    return _show(request, session, staff, fields, chosen=None, quiet=not sent)


@router.post("")
async def compose(request: Request, form: Posted, staff: Runs) -> Response:
    """Show what the chosen bows would do, which holds nobody's turn to write, or set them aside."""
    problems: dict[str, str] = {}
    notice, status = "", 200
    try:
        if first(form, "go") == "set":
            async with writing(request) as session:
                basis = _basis(session, staff, form)
                asked = compose_form.composing(form, basis.body or {})
                key = composing.compose(session, staff.user, staff.dealer, asked)
            return desk_frame.see(request, f"/desk/trials/{key}", _("The bows are set aside."))
    except InvalidInputError as invalid:
        problems, status = by_field(invalid), 422
    except ConflictError as refused:
        notice, status = str(refused), 409
    chosen = form.get("copies", ())
    async with reading(request) as session:
        return _show(request, session, staff, form, chosen, problems=problems, notice=notice, status=status)


def _from_before(session: Session, staff: AtDealer, links: Mapping[str, str]) -> dict[str, list[str]]:
    """Return what stands in the fields already, from the enquiry or from the trial before; raises `NotFoundError`."""
    if links["previous"]:
        earlier_trial = outcomes.before_next(session, staff.dealer, links["previous"])
        as_before = {"place": [str(earlier_trial.place)], "blinding": [str(earlier_trial.blinding)]}
        minutes, country = earlier_trial.composition.minutes, earlier_trial.composition.country or ""
        return as_before | {"minutes": [str(minutes)], "country": [country], "player": [earlier_trial.player]}
    if links["player"]:
        before = overview.lasting_answers(session, staff.dealer, links["player"])
        return compose_form.instrument_of(before) | walk_in.filled(before)
    if links["enquiry"]:
        wish = desk_reads.enquiry(session, staff.dealer, links["enquiry"]).answers.get("trial") or {}
        found = {name: [str(wish[name])] for name in ("place", "minutes") if wish.get(name)}
        return found | ({"blinding": [str(Blinding.MASKED)]} if wish.get("place") == Place.POST else {})
    return {}


def _basis(session: Session, staff: AtDealer, fields: Fields, *, is_asked: bool = True) -> _Basis:
    """Return what a composition starts from; not ``is_asked``: of a walk-in whose choices cannot be used yet.

    Raises `NotFoundError`: an enquiry, trial or player that is not this dealer's; `InvalidInputError`: a walk-in's
    choices cannot be used.
    """
    currency = drafts.currencies(session, staff.dealer)[0]
    previous, enquiry, player = (first(fields, name) for name in ("previous", "enquiry", "player"))
    if previous:
        row = desk_reads.trial(session, staff.dealer, previous)
        return _Basis(row.answers, desk_lines.somebody(row.row.who), True, False, currency)
    if enquiry:
        page = desk_reads.enquiry(session, staff.dealer, enquiry)
        return _Basis(page.answers, desk_lines.somebody(page.row.name), page.contact is not None, False, currency)
    who = desk_lines.somebody(desk_reads.player(session, staff.dealer, player).row.name) if player else None
    body = _walk_in(session, staff, fields, currency) if is_asked else None
    if body is not None:
        theirs = overview.had_in_hand(session, staff.dealer, first(fields, "player"))
        settled, wrong = tried_bows.settled(session, staff.dealer, body, fields, theirs)
        if wrong:
            raise InvalidInputError(wrong.items())
        bows = tried_fields.parse(settled)[0]
        body |= {"tried": bows} if bows else {}
    return _Basis(body, who, bool(player), True, currency)


def _walk_in(session: Session, staff: AtDealer, fields: Fields, currency: str) -> dict[str, Any]:
    """Return a walk-in's answers; of a player who is known, what holds of their last ones on that instrument too."""
    body, player = compose_form.walk_in(fields, currency), first(fields, "player")
    known_answers = overview.lasting_answers(session, staff.dealer, player) if player else {}
    is_known = known_answers.get("instrument") == body["instrument"]
    return walk_in.answered(fields, known_answers | body if is_known else body)


def _show(
    request: Request,
    session: Session,
    staff: AtDealer,
    fields: Fields,
    chosen: Sequence[str] | None,
    *,
    problems: Mapping[str, str] | None = None,
    notice: str = "",
    status: int = 200,
    quiet: bool = False,
) -> Response:
    """Show the page with what stands in its fields; ``quiet``: a missing instrument is not complained of."""
    wrong = dict(problems or {})
    proposal = None
    try:
        basis = _basis(session, staff, fields)
    except InvalidInputError as invalid:
        basis = _basis(session, staff, fields, is_asked=False)
        wrong |= {} if quiet else by_field(invalid)
    if basis.body is not None:
        proposal = _proposal(session, staff, basis.body, fields, chosen, wrong)
    page, parts = _page(basis, fields, proposal, wrong, notice)
    return desk_frame.show(request, staff, "trials/compose.html", page, status=422 if wrong else status, **parts)


def _proposal(
    session: Session,
    staff: AtDealer,
    body: Mapping[str, Any],
    fields: Fields,
    chosen: Sequence[str] | None,
    wrong: dict[str, str],
) -> Proposal:
    """Return what to bring; what cannot be used is noted in ``wrong`` and left out, so that there is always a page."""
    usable = {name: values for name, values in fields.items() if name not in ("minutes", "place")}
    day, due_back = _or(lambda: compose_form.days(fields), wrong) or (None, None)
    if day is None or due_back is None or due_back < day:
        due_back = None
    asked = _or(lambda: compose_form.questionnaire(body, fields, staff.dealer), wrong)
    answers = asked or compose_form.questionnaire(body, usable, staff.dealer)
    if chosen is None and fields.get("copies"):
        chosen = fields["copies"]

    whose = {name: first(fields, name) or None for name in ("player", "enquiry", "previous")}
    stored = known.gathered(session, staff.dealer, answers, **whose)

    def proposed(bows: Sequence[str] | None) -> Proposal:
        return composing.propose(session, staff.dealer, answers, chosen=bows, on=day, due_back=due_back, marks=stored)

    return _or(lambda: proposed(chosen), wrong) or proposed(None)


def _or(verb: Callable[[], T], wrong: dict[str, str]) -> T | None:
    """Return what a verb gives, or None where it finds something wrong, which is noted."""
    try:
        return verb()
    except InvalidInputError as invalid:
        for field, sentence in by_field(invalid).items():
            wrong.setdefault("copies" if field.startswith("copies") else field, sentence)
        return None


def _questions(wrong: Mapping[str, str], say: Callable[[str], str]) -> dict[str, str]:
    """Return what is said of each field that is one of the form's questions."""
    return {name: say(name) for name in wrong if tried_fields.parts(name) or name in walk_in.NAMES}


def _page(
    basis: _Basis, fields: Fields, proposal: Proposal | None, wrong: Mapping[str, str], notice: str
) -> tuple[FormPage, dict[str, Any]]:
    """Return the composing page, and by name what stands in it.

    ``answers``: those it rests on, in one line; empty before a walk-in has chosen. ``carried``: the fields that travel along in
    the form. ``effect``, ``bows``: None and empty while nothing can be proposed. ``asks_contact``: the player is not known yet.
    """
    hidden = {name: first(fields, name) for name in _HIDDEN}
    asked = {*_ASKED, *walk_in.NAMES, *tried_fields.laid_out(fields)} if basis.walk_in else set()
    instrument = (basis.body or {}).get("instrument")
    page = FormPage(
        title=_("A trial for {player}").format(player=basis.who) if basis.who else _("Compose a trial"),
        typed=Typed(fields, wrong),
        faults=faults(wrong, _NAMES | _questions(wrong, asking.name_of), _ANCHORS | _questions(wrong, asking.anchor)),
    )
    return page, {
        "answers": answer_summary.quiet_line(basis.body) if basis.body else "",
        "walk_in": basis.walk_in,
        "notice": notice,
        "player": first(fields, "player"),
        "carried": [
            *((name, value) for name, value in hidden.items() if value),
            *((name, value) for name in sorted(asked) for value in fields.get(name, ()) if value),
        ],
        "more": walk_in.asked(fields, Instrument(instrument) if instrument else None) if basis.walk_in else {},
        "rows": compose_page.tried_rows(basis.body, fields) if basis.walk_in else (),
        "currency": basis.currency,
        "minutes": compose_page.minutes(first(fields, "minutes")),
        "effect": compose_page.effect(proposal) if proposal else None,
        "bows": proposal.bows if proposal else (),
        "own": compose_page.own_bow(proposal) if proposal else None,
        "asks_contact": not basis.known,
        "words": compose_page,
    }
