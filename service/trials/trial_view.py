"""One trial, shown: gathered from the use cases, and shown again with what was typed where a step is refused."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Annotated, Any

from fastapi import Depends, Request
from fastapi.responses import Response
from sqlalchemy.orm import Session

from model.domain.vocabulary import Blinding
from service.core.errors import ConflictError, InvalidInputError
from service.core.language import N_
from service.trials import (
    criteria_grid,
    desk_lines,
    desk_words,
    lifecycle,
    outcomes,
    paired_comparison,
    paper,
    parcel_words,
    prices_paid,
    rater_links,
    standing,
    strokes,
    trial_page,
    trial_record,
    trial_words,
    whole_trial,
)
from service.trials.desk_records import TrialPage
from service.trials.standing import StandingView
from service.trials.trial_data import SeatPart
from service.trials.whole_trial import TrialRecord
from service.web import desk_frame
from service.web.database_sessions import Reading, Writing
from service.web.desk_forms import all_or_nothing, by_field, faults, today
from service.web.device_requests import signer
from service.web.page_data import FormPage, Option, Typed
from service.web.permissions import AtDealer, AtDealerNeeds, Fields, Posted
from service.web.roles import Permission

OWN = "own"
CONDITION = "condition."
SEEN = "seen."
"""Before a bow: what stood of its price and note when the page was opened."""
_NAMES = {
    "on": N_("Day of the trial"),
    "hour": N_("Hour"),
    "due_back": N_("Due back"),
    "by": N_("Who confirms it"),
    "new_due": N_("New day back"),
    "address": N_("Where this parcel goes"),
    "carrier": N_("Carrier"),
    "number": N_("Number of the parcel"),
    "out": N_("Take out"),
    "into": N_("Put in"),
    "price": N_("Price paid"),
    "note": N_("Note"),
}
_OF_A_BOW = ("price.", "note.")
_FIELDS = {"in": "into"}
"""By a use case's name of what is wrong: the page's field."""
Verb = Callable[[Session, int, str, str], object]
"""One step of a trial: session, who, dealer, key."""


@dataclass(frozen=True, slots=True)
class AtTrial:
    """One request about a trial: what every step of it needs. ``form``: what was posted, empty for a page asked for."""

    request: Request
    session: Session
    staff: AtDealer
    key: str
    form: Fields

    def do(self, done: str, verb: Verb, anchor: str = "", on: str = "") -> Response:
        """Do one step and go on to the trial, or to ``on``; a refused one shows the trial with what was typed and why.

        ``done``: said at the head of the next page. ``anchor``: the part of the trial's page to go to.
        """
        try:
            with all_or_nothing(self.session):
                verb(self.session, self.staff.user, self.staff.dealer, self.key)
        except InvalidInputError as invalid:
            wrong = {_FIELDS.get(field, field): sentence for field, sentence in by_field(invalid).items()}
            elsewhere = [sentence for field, sentence in wrong.items() if not _is_asked(field)]
            asked = {field: sentence for field, sentence in wrong.items() if _is_asked(field)}
            return self.show(notice=" ".join(elsewhere), problems=asked, status=422)
        except ConflictError as refused:
            # What is typed again is typed over what stands now.
            typed = {name: texts for name, texts in self.form.items() if not name.startswith(SEEN)}
            return replace(self, form=typed).show(notice=str(refused), status=409)
        return desk_frame.see(self.request, on or f"/desk/trials/{self.key}{anchor}", done)

    def show(self, *, notice: str = "", problems: Mapping[str, str] | None = None, status: int = 200) -> Response:
        """Show the trial; ``notice``: why a step was refused, ``problems``: what is wrong with which field."""
        page, parts = _view(self, problems or {})
        return desk_frame.show(
            self.request, self.staff, "trials/trial.html", page, status=status, notice=notice, words=trial_page, **parts
        )


def _is_asked(field: str) -> bool:
    """Say whether a page asks for a field; what came by a button is complained of at the head of the page."""
    return field in _NAMES or field.startswith((CONDITION, *_OF_A_BOW))


Views = Annotated[AtDealer, Depends(AtDealerNeeds(Permission.TRIALS_VIEW))]
Runs = Annotated[AtDealer, Depends(AtDealerNeeds(Permission.TRIALS_RUN))]


async def _asked(request: Request, key: str, staff: Views, session: Reading) -> AtTrial:
    return AtTrial(request, session, staff, key, {})


async def _to_run(request: Request, key: str, staff: Runs, session: Reading) -> AtTrial:
    return AtTrial(request, session, staff, key, {})


async def _stepped(request: Request, key: str, form: Posted, staff: Runs, session: Writing) -> AtTrial:
    return AtTrial(request, session, staff, key, form)


Asked = Annotated[AtTrial, Depends(_asked)]
"""A trial of this dealer that is looked at."""
ToRun = Annotated[AtTrial, Depends(_to_run)]
"""A trial of this dealer, on a page that asks before it is changed."""
Stepped = Annotated[AtTrial, Depends(_stepped)]
"""A trial of this dealer, and a form of this session that is to change it."""


def _view(at: AtTrial, problems: Mapping[str, str]) -> tuple[FormPage, dict[str, Any]]:
    """Return the page of a trial, and by name the record and its parts that the template reads."""
    session, staff = at.session, at.staff
    record = whole_trial.read(session, staff.dealer, at.key, today())
    trial = trial_record.page_of(record)
    if record.row.blinding is Blinding.OPEN:  # nobody is to be kept from knowing which bow a letter is
        trial = replace(trial, slots=record.slots)
    stands = _standing(session, record)
    usual = {"by": [staff.name], **_days(record), **_last_two(stands), **parcel_words.fields(record), **_paid(trial)}
    names = _NAMES | {name: _NAMES[name.partition(".")[0]] for name in problems if name.startswith(_OF_A_BOW)}
    page = FormPage(
        title=desk_lines.trial_title(trial.row),
        typed=Typed({**usual, **at.form}, problems),
        faults=faults(problems, names, {}),
    )
    order = trial_page.order(trial)
    return page, {
        "record": trial,
        "facts": desk_lines.trial_facts(trial.row),
        "state": trial_words.state(trial),
        "places": order,
        "handover": trial_page.handover(trial, order),
        "stands": stands,
        "grid": criteria_grid.grid(trial, stands.scatter) if stands else None,
        "grid_words": criteria_grid,
        "probed": strokes.side_by_side(
            record.trial,
            (*trial.slots, *record.later),
            (run for run, _tier in record.runs),
            trial_words.bow_name((), own=True),
        ),
        "asks_key": trial.row.state == "open"
        and not record.row.revealed
        and trial.slots == trial_record.page_of(record).slots,
        "about": trial_page.about(trial),
        "links": _seats(at.request, record),
        "hands": paired_comparison.handed(record.rounds, record.first_letters()),
        "came_of_it": trial_page.outcome(
            trial, [each for bow in stands.bows for each in bow.letters] if stands else (), record.shop.currency or ""
        ),
        "swaps": trial_page.swap(trial, _free(session, record)) if "swap" in trial.may else None,
        "related": list(trial_page.related(trial)),
        "papers": paper.prints(trial),
        **parcel_words.shown(record),
    }


def _days(record: TrialRecord) -> dict[str, list[str]]:
    """Return what stands in the fields of the day: as it is planned."""
    row = record.row
    return {
        "on": [row.on.isoformat()],
        "hour": [f"{row.hour:%H:%M}"] if row.hour else [],
        "due_back": [row.due_back.isoformat()] if row.due_back else [],
    }


def _paid(trial: TrialPage) -> dict[str, list[str]]:
    """Return what stands in the fields of the price paid: as it was told of each bow that was kept and not brought back."""
    fields = {}
    for copy, row in outcomes.held(trial.outcomes).items():
        fields[f"price.{copy}"] = [] if row.price is None else [prices_paid.written(row.price)]
        fields[f"note.{copy}"] = [row.note or ""]
        fields[f"{SEEN}{copy}"] = [prices_paid.stands(row.price, row.note)]
    return fields


def _standing(session: Session, record: TrialRecord) -> StandingView | None:
    """Return how the bows stand; None before the first sheet could be there."""
    if not record.slots or record.row.state == "planned":
        return None
    return standing.of_record(session, record)


def _seats(request: Request, record: TrialRecord) -> tuple[SeatPart, ...]:
    """Return the links by which phones rate: of an open trial, and of a parcel that they are to travel with."""
    to_send = record.row.state == "planned" and desk_lines.is_by_post(record.row)
    if record.row.state != "open" and not to_send:
        return ()
    paths = rater_links.paths(record.seats, signer(request))
    return tuple(
        trial_page.seat(rater, desk_frame.address_of(request, paths[rater]) if rater in paths else "")
        for rater in desk_words.RATERS
    )


def _last_two(stands: StandingView | None) -> dict[str, list[str]]:
    """Return the two bows that are likeliest the best, to begin a head-to-head with."""
    if stands is None:
        return {}
    ranked = sorted(stands.bows, key=lambda bow: -(bow.best or 0))
    names = [OWN if bow.own else bow.letters[0] for bow in ranked[:2]]
    return {"one": names[:1], "other": names[1:]}


def _free(session: Session, record: TrialRecord) -> tuple[Option, ...]:
    """Return the bows of the stock that can be had on a planned trial's days."""
    return tuple(Option(serial, f"{serial}, {tier}") for serial, tier in lifecycle.may_come(session, record))
