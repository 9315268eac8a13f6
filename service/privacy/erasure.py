"""Erasure: the person goes; ratings stay, without a name, where that was agreed to, and go too where it was not.

A copy that was kept stays sold, since that is the dealer's own record. While bows are still out, or a trial goes on, nothing is
erased: whoever has a bow on loan must be known.
"""

import uuid
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from sqlalchemy import ColumnElement, delete, exists, func, or_, select, update
from sqlalchemy.orm import Session

from service.core import audit, audit_events, files_coming
from service.core.errors import ConflictError
from service.core.language import _
from service.core.row_locks import lock_dealer
from service.mail import mailboxes
from service.players import joining
from service.players.persons import Person, mail_to
from service.privacy import remains
from service.tables import (
    AuditEntry,
    Composition,
    Contact,
    Draft,
    Enquiry,
    FollowUp,
    HeadToHead,
    KeptForm,
    OutboxItem,
    Outcome,
    Pair,
    Parcel,
    Player,
    PlayerNote,
    Run,
    SearchWord,
    Seat,
    Sheet,
    Slot,
    Trial,
    TrialCopy,
    User,
)
from service.trials import bow_marks

_JOINED = (audit_events.PLAYERS_JOINED, audit_events.PLAYERS_PARTED)
_NAMING = tuple(event.did for event in (*_JOINED, audit_events.ENQUIRY_GIVEN, audit_events.ENQUIRY_TAKEN_AWAY))
"""What is put on record with a player's key beside what it is about."""


@dataclass(frozen=True, slots=True)
class Erased:
    """How much is erased, and how many trials stay without a name."""

    enquiries: int
    trials: int
    trials_kept: int


def would_erase(session: Session, person: Person) -> Erased:
    """Return how much `erase` would erase and keep; raises `ConflictError` as it does."""
    _check_nothing_is_out(session, person)
    consented = _trials_of(session, person, in_model=True)
    return Erased(len(person.enquiries), len(_trials_of(session, person, in_model=False)), len(consented))


def erase(session: Session, user: int | None, person: Person, reason: str = "asked") -> Erased:
    """Erase a person's data for a ``reason``: asked, over, mistake; raises `ConflictError`: a trial goes on, a bow is out, files come in."""
    if person.dealer is not None:
        lock_dealer(session, person.dealer)  # nobody composes a trial for them meanwhile
    _check_nothing_is_out(session, person)
    named = set(session.scalars(select(Player.id).where(Player.id.in_(person.players), Player.in_model)))
    gone = [player for player in person.players if player not in named]
    trials = _trials_of(session, person, in_model=False)
    kept = _trials_of(session, person, in_model=True)
    _erase_mail(session, person, trials)
    _take_off_record(session, person)
    of_person = SearchWord.player.in_(person.players) | SearchWord.enquiry.in_(person.enquiries)
    session.execute(delete(SearchWord).where(of_person))
    for table in (Contact, PlayerNote):
        session.execute(delete(table).where(table.player.in_(person.players)))
    _erase_enquiries(session, person)
    if person.dealer is not None:
        joining.forget(session, person.dealer, gone, named)
    _make_nameless(session, named, kept)
    _erase_trials(session, trials)
    session.execute(delete(Player).where(Player.id.in_(gone)))
    remains.note(session)
    erased = Erased(len(person.enquiries), len(trials), len(kept))
    told = {"reason": reason, **asdict(erased)}
    audit.record(session, user, audit_events.PERSON_ERASED, "person", dealer=person.dealer, **told)
    return erased


def _trials_of(session: Session, person: Person, *, in_model: bool) -> list[int]:
    """Return the trials whose ratings may stay without a name, or those that go."""
    theirs = select(Trial.id).join(Player, Player.id == Trial.player).where(Player.id.in_(person.players))
    return list(session.scalars(theirs.where(Player.in_model if in_model else ~Player.in_model).order_by(Trial.id)))


def _check_nothing_is_out(session: Session, person: Person) -> None:
    files_coming.wait_for(session)  # what is still to come may be of this person, and would stand there again
    of_theirs = Trial.player.in_(person.players)
    composed = select(Composition.trial).join(Trial, Trial.id == Composition.trial)
    bows_out = select(TrialCopy.id).join(Trial, Trial.id == TrialCopy.trial)
    if session.scalar(composed.where(of_theirs, Composition.state.in_(("planned", "open"))).limit(1)) is not None:
        raise ConflictError(
            _("A trial still goes on; once the shop has ended or cancelled it, the data can be erased.")
        )
    if session.scalar(bows_out.where(of_theirs, TrialCopy.out_at.is_not(None), TrialCopy.back_at.is_(None)).limit(1)):
        raise ConflictError(
            _("A bow is still out on a trial; once it is back, or noted as kept, the data can be erased.")
        )


def _erase_mail(session: Session, person: Person, trials: Sequence[int]) -> None:
    """Erase all mail to the person, and what the dealer is told of them and of trials that go."""
    theirs: list[ColumnElement[bool]] = [
        OutboxItem.player.in_(person.players),
        OutboxItem.enquiry.in_(person.enquiries),
        mail_to(person),
    ]
    for address in person.addresses:
        if address == person.email or not _is_others_too(session, person, address):
            mailboxes.forget(session, address)
    for key in session.scalars(select(Trial.key).where(Trial.id.in_(trials))):
        of_trial = OutboxItem.about.startswith(f"{key}:", autoescape=True)
        theirs.append((OutboxItem.dealer == person.dealer) & ((OutboxItem.about == key) | of_trial))
    session.execute(delete(OutboxItem).where(or_(*theirs)))


def _is_others_too(session: Session, person: Person, address: str) -> bool:
    """Say whether somebody else is known under an address."""
    given = func.lower(Enquiry.contact["email"].as_string())
    known = exists().where(func.lower(Contact.email) == address.lower(), Contact.player.not_in(person.players))
    asked = exists().where(given == address.lower(), Enquiry.id.not_in(person.enquiries))
    return bool(session.scalar(select(or_(known, asked))))


def _take_off_record(session: Session, person: Person) -> None:
    """Let the record say what was done, and no more to whom: a key that leads nowhere still joins one entry to another."""
    keys = session.scalars(select(Player.key).where(Player.id.in_(person.players))).all()
    for kind, whose in (("player", keys), ("enquiry", person.enquiries)):
        of_person = AuditEntry.about.in_([f"{kind} {each}" for each in whose])
        session.execute(update(AuditEntry).where(of_person).values(about=kind))
    for named in ("other", "player"):
        theirs = AuditEntry.detail[named].as_string().in_(keys)
        session.execute(update(AuditEntry).where(AuditEntry.did.in_(_NAMING), theirs).values(detail={}))


def _erase_enquiries(session: Session, person: Person) -> None:
    of_person = Enquiry.id.in_(person.enquiries)
    session.execute(update(Composition).where(Composition.enquiry.in_(person.enquiries)).values(enquiry=None))
    session.execute(delete(Draft).where(Draft.id.in_(person.drafts)))
    # The last hour's unsent forms of all who may act for the dealer; a free account may for any, and alone sees nobody's.
    whose = select(User.id).where(or_(User.dealer == person.dealer, User.dealer.is_(None)))
    session.execute(delete(KeptForm).where(KeptForm.user.in_(whose)))
    session.execute(delete(Enquiry).where(of_person))


def _make_nameless(session: Session, named: set[int], trials: Sequence[int]) -> None:
    """Give what stays a key that nothing else knows, and take out what somebody wrote: a note may name a person."""
    for player in sorted(named):
        session.execute(update(Player).where(Player.id == player).values(key=str(uuid.uuid4())))
    for table in (Run, Sheet, Outcome):
        session.execute(update(table).where(table.trial.in_(trials)).values(note=None))
    session.execute(update(Composition).where(Composition.trial.in_(trials)).values(note=None))
    session.execute(delete(Seat).where(Seat.trial.in_(trials)))
    session.execute(delete(Parcel).where(Parcel.trial.in_(trials)))


def _erase_trials(session: Session, trials: Sequence[int]) -> None:
    played = {each for each in session.scalars(select(Run.copy).where(Run.trial.in_(trials))) if each is not None}
    pairs = select(HeadToHead.id).where(HeadToHead.trial.in_(trials))
    session.execute(delete(Pair).where(Pair.head_to_head.in_(pairs)))
    session.execute(update(Composition).where(Composition.previous.in_(trials)).values(previous=None))
    tables: tuple[Any, ...] = (HeadToHead, Seat, FollowUp, Parcel, Sheet, Slot, TrialCopy, Run, Outcome, Composition)
    for table in tables:
        session.execute(delete(table).where(table.trial.in_(trials)))
    session.execute(delete(Trial).where(Trial.id.in_(trials)))
    bow_marks.of_bows(session, played)
