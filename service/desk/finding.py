"""Whatever is wanted, by what is typed or scanned: players, enquiries, trials and bows, within what somebody may see."""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import unquote

from sqlalchemy import ColumnElement, and_, or_, select
from sqlalchemy.orm import Session

from service import tables
from service.core import typed_text
from service.core.scopes import Scope
from service.players import enquiry_access, player_keys, searching
from service.tables.columns import begins
from service.tables.folding import fold, phone, plain, words
from service.trials import people, trial_rows
from service.trials.desk_lines import trial_number
from service.trials.desk_records import EnquiryRow, PlayerRow, TrialRow

MOST = 8
"""So many of a kind are shown."""
PLAYERS, ENQUIRIES, TRIALS, STOCK = "players", "enquiries", "trials", "stock"
_AGAIN = re.compile(r"/desk/find\?q=([^&#\s]+)")
_PLACE = re.compile(rf"/desk/({PLAYERS}|{ENQUIRIES}|{TRIALS}|{STOCK})/([^/?#\s]+)")
_ANSWER = re.compile(r"/advice/([\w-]+)")
_NUMBER = re.compile(r"#?\s*(\d{1,9})")
_WHOLE_PHONE, _OF_ONE_PERSON = 6, 4
"""Digits of a number that is meant as a whole; and so many words of one person may begin alike."""


@dataclass(frozen=True, slots=True)
class Looking:
    """Who looks: for which kinds, whose bows, and at which dealer (empty for none); ``unassigned``: at what is no dealer's too."""

    kinds: frozenset[str]
    bows: Scope
    dealer: str
    unassigned: bool


@dataclass(frozen=True, slots=True)
class BowRow:
    """A bow that is found: its serial, tier, what is said of it, and where it is (None: at the workshop)."""

    copy: str
    tier_name: str
    status: str | None
    dealer_name: str | None


@dataclass(frozen=True, slots=True)
class Found:
    """What is found of each kind, one more than `MOST` where there are more; ``exact``: kind and key of what is just that."""

    players: tuple[PlayerRow, ...] = ()
    enquiries: tuple[EnquiryRow, ...] = ()
    trials: tuple[TrialRow, ...] = ()
    bows: tuple[BowRow, ...] = ()
    exact: frozenset[tuple[str, str]] = frozenset()

    @property
    def only(self) -> tuple[str, str] | None:
        """Kind and key of the one thing that is just that, else of the only one there is; None for several or none."""
        keys = {PLAYERS: [row.key for row in self.players], ENQUIRIES: [row.id for row in self.enquiries]}
        keys |= {TRIALS: [row.key for row in self.trials], STOCK: [row.copy for row in self.bows]}
        meant = self.exact or {(kind, key) for kind, found in keys.items() for key in found}
        return next(iter(meant)) if len(meant) == 1 else None


@dataclass(frozen=True, slots=True)
class _Asked:
    """One question: ``key``: it was scanned and is the very key, or the address of an answer, and nothing else is looked for."""

    session: Session
    looking: Looking
    text: str
    key: bool = False

    @property
    def words(self) -> tuple[str, ...]:
        return () if self.key else searching.words_of(self.text)

    def is_exactly(self, name: str | None, email: str | None, number: str | None) -> bool:
        """Say whether somebody's whole name, address or number is what was typed."""
        wanted = self.words
        if "@" in self.text:
            return wanted == (fold(email or ""),)
        if searching.is_phone(self.text):
            return len(wanted[0]) > _WHOLE_PHONE and phone(number or "").startswith(wanted[0])
        return bool(wanted) and set(wanted) == set(words(name or ""))


Keys = Iterable[tuple[str, str]]


def find(session: Session, looking: Looking, text: str) -> Found:
    """Return what a text leads to: an address or a number that was scanned, or what somebody typed."""
    text = typed_text.cleaned(text)
    if again := _AGAIN.search(text):
        text = typed_text.cleaned(unquote(again[1]))
    place, answer = _PLACE.search(text), _ANSWER.search(text)
    if place:
        return _of_kinds(_Asked(session, looking, typed_text.cleaned(unquote(place[2])), key=True), {place[1]})
    if answer:
        return _of_kinds(_Asked(session, looking, answer[1], key=True), {ENQUIRIES})
    return _of_kinds(_Asked(session, looking, text), {PLAYERS, ENQUIRIES, TRIALS, STOCK})


def _of_kinds(asked: _Asked, kinds: set[str]) -> Found:
    kinds = kinds & asked.looking.kinds
    players, of_players = _players(asked) if PLAYERS in kinds else ((), ())
    enquiries, of_enquiries = _enquiries(asked) if ENQUIRIES in kinds else ((), ())
    trials = _trials(asked) if TRIALS in kinds else ()
    bows, of_bows = _bows(asked) if STOCK in kinds else ((), ())
    exact = (
        *((PLAYERS, key) for key in of_players),
        *((ENQUIRIES, key) for key in of_enquiries),
        *((TRIALS, row.key) for row in trials),
        *((STOCK, key) for key in of_bows),
    )
    return Found(players, enquiries, trials, bows, frozenset(exact))


def _players(asked: _Asked) -> tuple[tuple[PlayerRow, ...], Iterable[str]]:
    """Return players and the keys of those that are just who was typed."""
    session, dealer, player = asked.session, asked.looking.dealer, tables.Player
    of_key = session.scalars(select(player.id).where(player.key == asked.text, player_keys.of_dealer(dealer))).all()
    found = [*of_key, *_having(asked, tables.SearchWord.player, (dealer,))]
    stands = list(dict.fromkeys(_heads(session, dealer, found)))[: MOST + 1]
    rows = people.player_rows(session, dealer, stands) if stands else ()
    if of_key:
        return rows, [row.key for row in rows]
    return rows, [row.key for row in rows if asked.is_exactly(row.name, row.email, row.phone)]


def _heads(session: Session, dealer: str, players: Sequence[int]) -> Iterable[int]:
    joined = tables.JoinedPlayer
    known = select(joined.player, joined.head).where(joined.dealer == dealer, joined.player.in_(players))
    heads = {row.player: row.head for row in session.execute(known)} if players else {}
    return (heads.get(player, player) for player in players)


def _having(asked: _Asked, of: Any, dealers: Sequence[str], *conditions: ColumnElement[bool]) -> list[Any]:
    """Return who has the words that were typed, each once, in the order of the words."""
    if not asked.words:
        return []
    theirs = searching.having(of, dealers, asked.words).where(*conditions)
    found = asked.session.scalars(theirs.order_by(tables.SearchWord.word).limit(_OF_ONE_PERSON * (MOST + 1)))
    return list(dict.fromkeys(found))[: MOST + 1]


def _enquiries(asked: _Asked) -> tuple[tuple[EnquiryRow, ...], Iterable[str]]:
    """Return enquiries and the ids of those that are just what was typed; by name only those whose player is not known yet."""
    session, looking, enquiry = asked.session, asked.looking, tables.Enquiry
    theirs = enquiry_access.of_dealer(looking.dealer)
    theirs = or_(theirs, enquiry_access.of_nobody()) if looking.unassigned else theirs
    names = (enquiry.id, enquiry.address) if asked.key else (enquiry.number,)
    text = asked.text if asked.key else plain(asked.text).upper()
    of_key = session.scalars(select(enquiry.id).where(or_(*(name == text for name in names)), theirs)).all()
    known = select(enquiry.id).where(enquiry.id == tables.SearchWord.enquiry, enquiry.player.is_(None), theirs)
    ids = [*of_key, *_having(asked, tables.SearchWord.enquiry, (looking.dealer, tables.NOBODYS), known.exists())]
    if not ids:
        return (), ()
    given = session.execute(select(enquiry.id, enquiry.contact).where(enquiry.id.in_(ids)))
    exact = [row.id for row in given if asked.is_exactly(*_contact(row.contact))]
    return people.enquiries_that(session, looking.dealer, ids), of_key or exact


def _contact(contact: Mapping[str, Any] | None) -> tuple[str | None, str | None, str | None]:
    given = contact or {}
    return given.get("name"), given.get("email"), given.get("phone")


def _trials(asked: _Asked) -> tuple[TrialRow, ...]:
    """Return the trial of a key or of the dealer's number."""
    dealer, text = asked.looking.dealer, asked.text
    named = fold(trial_number(None, "")).strip()
    number = None if asked.key else _NUMBER.fullmatch(fold(text).removeprefix(named).strip())
    trial, composition = tables.Trial, tables.Composition
    ids = list(asked.session.scalars(select(trial.id).where(trial.key == text)))
    if number:
        numbered = composition.number == int(number[1])
        ids += asked.session.scalars(select(composition.trial).where(composition.dealer == dealer, numbered))
    return trial_rows.trial_rows(asked.session, dealer, trial.id.in_(ids), files=True) if ids else ()


def _bows(asked: _Asked) -> tuple[tuple[BowRow, ...], Iterable[str]]:
    """Return the bows whose serial begins so, and which is just it: as it is written, else as it is compared."""
    copy, typed = tables.Copy, plain(asked.text)
    alike = begins(copy.plain, typed) if len(typed) >= searching.LEAST_LETTERS else copy.plain == typed
    meant = copy.serial == asked.text if asked.key or not typed else or_(copy.serial == asked.text, alike)
    rows = asked.session.execute(
        select(copy.serial, tables.Tier.name, copy.status, tables.Dealer.name, copy.plain)
        .join(tables.Tier, tables.Tier.slug == copy.tier)
        .outerjoin(tables.Dealer, tables.Dealer.slug == copy.dealer)
        .where(and_(meant, asked.looking.bows.holds(copy.dealer)))
        .order_by(copy.plain, copy.serial)
        .limit(MOST + 1)
    ).all()
    exact = [row.serial for row in rows if row.serial == asked.text]
    found = tuple(BowRow(*row[:4]) for row in rows)
    return found, exact or [row.serial for row in rows if row.plain == typed]
