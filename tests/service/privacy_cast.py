"""A player of whom everything is kept that can be: enquiry, draft, trial with sheets, listener, pairs, outcome, answer, mails."""

import datetime as dt
import uuid
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service import tables
from service.advice import advise
from service.core.signed_links import Signer
from service.form import drafts
from service.questionnaire import forms
from service.questionnaire.sheet_fields import check_pair, check_sheet
from service.trials import lifecycle, outcomes, paired_comparison, rater_links, sheets
from service.trials.prices_paid import PricePaid
from tests.service.client import SECRET
from tests.service.trial_cast import BASS, BOWS, SHOP, compose, slots

TODAY = dt.datetime.now(dt.UTC).date()
NAME, EMAIL, PHONE = "Clara Quillfeather", "clara.quillfeather@player.example", "+49 351 5550147"
TOLD = ("Quillfeather", EMAIL, "5550147")
"""What must stand nowhere; the first name alone may, on the tablet's list."""


def contact(*, model: bool, mail: bool = True, name: str = NAME, email: str | None = EMAIL) -> dict[str, Any]:
    """Return a contact with its consents."""
    given = {"name": name} | ({"email": email} if email else {}) | ({"phone": PHONE} if name == NAME else {})
    return given | {"consent": {"advice": True, "mail": mail, "model": model}}


@dataclass(frozen=True, slots=True)
class Kept:
    """What was put in."""

    enquiry: str
    trial: str
    player: str


def enquire(session: Session, *, model: bool = False, dealer: str | None = SHOP, **changes: Any) -> str:
    """Add an enquiry with a contact, and return its id."""
    ident = str(uuid.uuid4())
    body = BASS | {"id": ident, "contact": contact(model=model, **changes)} | ({"dealer": dealer} if dealer else {})
    advise.advise(session, forms.check(body))
    return ident


def draft(session: Session, email: str = EMAIL) -> str:
    """Add a questionnaire on its way that holds a contact, and return its address."""
    typed = {"name": [NAME], "email": [email], "consent_advice": ["yes"]}
    begun = drafts.begin(session, SHOP)
    kept = drafts.answered(begun, "contact", typed)
    drafts.keep(session, kept)
    return kept.address


def add_all(session: Session, *, model: bool = False, over: bool = True, note: str | None = f"{NAME} liked it") -> Kept:
    """Let a player enquire, play a trial with everything in it, and keep a bow; not ``over``: the bows are still out."""
    enquiry = enquire(session, model=model)
    draft(session)
    key = compose(session, enquiry=enquiry, on=TODAY.isoformat(), model_consent=None, repeat=False)
    lifecycle.open_(session, None, SHOP, key)
    rater_links.open_seat(session, None, SHOP, key, "listener", signer=Signer(SECRET))
    order = slots(session, key)
    for slot in order:
        send(session, key, slot, 4, note=note)
    send(session, key, order[0], 5, rater="listener")
    letters = [slot.letter for slot in order if slot.letter]
    head = paired_comparison.start(session, None, SHOP, key, (letters[0], letters[1]))
    said = {"head_to_head": head, "number": 1, "preferred": "first", "rated_at": dt.datetime.now(dt.UTC)}
    paired_comparison.record_pair(session, SHOP, key, str(uuid.uuid4()), check_pair(said))
    trial = session.scalars(select(tables.Trial).where(tables.Trial.key == key)).one()
    session.add(tables.Parcel(trial=trial.id, address="At the water 3", carrier="by hand", number="7"))
    if over:
        paid = PricePaid(Decimal(2300), f"{NAME} pays in two parts")
        outcomes.record(session, None, SHOP, key, "kept", BOWS[1], "sound", TODAY, paid)
        session.add(tables.FollowUp(trial=trial.id, still_right=True, at=dt.datetime.now(dt.UTC)))
        again: dict[str, Any] = {"previous": key, "player": _key(session, trial), "copies": ["DB-juniper-3"]}
        compose(session, on=TODAY.isoformat(), model_consent=None, **again)
        _give_up_the_next(session, key)
    at = dt.datetime.now(dt.UTC)
    session.add(tables.PlayerNote(dealer=SHOP, player=trial.player, text=f"{NAME} plays in a quartet", at=at))
    session.flush()
    return Kept(enquiry, key, _key(session, trial))


def send(session: Session, key: str, slot: tables.Slot, mark: int, rater: str = "player", **more: Any) -> sheets.Stored:
    """Let one sheet come in."""
    place = {"position": slot.position, "letter": slot.letter, "rater": rater, "revision": 1}
    told = {"ratings": {"overall": mark}, "rated_at": dt.datetime.now(dt.UTC)}
    return sheets.record(session, SHOP, key, str(uuid.uuid4()), check_sheet({**place, **told, **more}), "a test")


def _key(session: Session, trial: tables.Trial) -> str:
    return session.get_one(tables.Player, trial.player).key


def _give_up_the_next(session: Session, key: str) -> None:
    previous = session.scalars(select(tables.Trial.id).where(tables.Trial.key == key)).one()
    of_next = select(tables.Composition.trial).where(tables.Composition.previous == previous)
    following = session.scalars(select(tables.Trial.key).where(tables.Trial.id == session.scalars(of_next).one())).one()
    lifecycle.cancel(session, None, SHOP, following)


def rows_of(session: Session) -> dict[str, int]:
    """Return how many rows each table has that may be of a player."""
    of = (
        *(tables.Contact, tables.Enquiry, tables.Draft, tables.OutboxItem, tables.Player, tables.Trial, tables.Run),
        *(tables.Composition, tables.TrialCopy, tables.Slot, tables.Sheet, tables.Seat, tables.HeadToHead, tables.Pair),
        *(tables.Outcome, tables.FollowUp, tables.Parcel, tables.PlayerNote),
    )
    return {table.__tablename__: len(session.scalars(select(table)).all()) for table in of}
