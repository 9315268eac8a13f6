"""A questionnaire on its way: begun, answered step by step in any order, finished once.

A draft keeps what was typed, not what was made of it: so nothing is lost when an answer is wrong or the reader goes back,
and the rules of `service.forms` are asked each time. The enquiry's id is drawn with the draft; however often the last
step is sent, there is one enquiry.
"""

import datetime as dt
import secrets
import uuid
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Self

from sqlalchemy import select
from sqlalchemy.orm import Session

from model.domain.vocabulary import LEADING, Criterion, Instrument
from service import advice, forms, language, tables, watch
from service.errors import NotHere
from service.forms import tried
from service.players import known, overview
from service.players.known import NO_MARKS, Marks
from service.players.tried import settled as read_bows

LIFE = dt.timedelta(days=14)
"""A draft not touched for so long is gone."""
COMMON_CURRENCY = "EUR"
"""Offered while nothing in the range has a price."""
FIRST = forms.STEPS[0].name
_VALUES, _LETTERS = 30, 400
"""So many values of a field and characters of a value are kept; no answer needs more."""

Typed = Mapping[str, list[str]]


class Unfinished(Exception):  # noqa: N818 - reads as what it says of the draft
    """The draft cannot be finished before ``step`` is mended."""

    def __init__(self, step: str) -> None:
        self.step = step
        super().__init__(f"step {step}: got answers that cannot be used, expected them mended first")


@dataclass(frozen=True, slots=True)
class Draft:
    """A questionnaire on its way.

    Attributes
    ----------
    address : the unguessable part of its link, 192 random bits.
    enquiry : the id of the enquiry it becomes.
    dealer : slug of the dealer on whose page it was begun, None for the whole range.
    typed : what stands in the fields, by step.
    dropped : what the last change of the instrument took away: ``hold``, ``own_bow``, ``tried``.
    step : the step the reader was sent to last.
    language : in which it is being filled in, None where that was not noted.
    player : the key of whoever came by a link of their own; None: nobody who is known.
    """

    address: str
    enquiry: str
    dealer: str | None = None
    typed: Mapping[str, Typed] = field(default_factory=dict)
    dropped: tuple[str, ...] = ()
    step: str = FIRST
    finished: bool = False
    language: str | None = None
    player: str | None = None

    def fields(self, step: str) -> Typed:
        """Return what stands in a step's fields."""
        return self.typed.get(step, {})

    def answers(self) -> dict[str, Any]:
        """Return the usable answers of all steps, as the API's body."""
        body: dict[str, Any] = {}
        for step in forms.STEPS:
            cleaned, _errors = step.parse(self.fields(step.name))
            body = step.put(body, cleaned)
        return body

    @property
    def instrument(self) -> Instrument | None:
        """Return the instrument chosen, None before."""
        chosen = forms.InstrumentStep.parse(self.fields(FIRST))[0].get("instrument")
        return Instrument(chosen) if chosen else None

    def may_keep(self, step: str) -> bool:
        """Say whether a step's fields may be stored: a name and an address only with consent."""
        return step != forms.ContactStep.name or "yes" in self.fields(step).get("consent_advice", ())

    @classmethod
    def stored(cls, row: tables.Draft) -> Self:
        """Return the draft in a row."""
        kept = dict(row.answers)
        return cls(address=row.id, step=row.step, dropped=tuple(kept.pop("dropped", ())), **kept)

    def to_store(self) -> dict[str, Any]:
        """Return what the row's ``answers`` hold."""
        return {
            "enquiry": self.enquiry,
            "dealer": self.dealer,
            "typed": {step: dict(fields) for step, fields in self.typed.items() if self.may_keep(step)},
            "dropped": list(self.dropped),
            "finished": self.finished,
            "language": self.language,
            **({"player": self.player} if self.player else {}),
        }


def begin(
    session: Session, dealer: str | None = None, typed: Mapping[str, Typed] | None = None, player: str | None = None
) -> Draft:
    """Begin a draft, empty or with answers given before; the draft's address is the reader's to keep."""
    now = dt.datetime.now(dt.UTC)
    draft = Draft(
        secrets.token_urlsafe(24), str(uuid.uuid4()), dealer, typed or {}, language=language.spoken(), player=player
    )
    session.add(
        tables.Draft(
            id=draft.address,
            created_at=now,
            updated_at=now,
            answers=draft.to_store(),
            step=draft.step,
            doubted=watch.is_behind(session, now),
        )
    )
    return draft


def begin_again(session: Session, doc: Mapping[str, Any]) -> Draft:
    """Begin a draft that holds the answers of a stored advice, to be changed."""
    answers = doc["answers"]
    return begin(session, answers.get("dealer"), {step.name: step.fill(answers) for step in forms.STEPS})


def begin_for(session: Session, dealer: str, player: int, key: str) -> Draft:
    """Begin a draft for a player who came by a link of their own, with their answers and marks in it as they stand here."""
    answers = overview.last_answers(session, dealer, player)
    draft = begin(session, dealer, {step.name: step.fill(answers) for step in forms.STEPS} if answers else None, key)
    keep(session, at(draft, forms.ContactStep.name if len(answers) > 1 else FIRST))
    return Draft.stored(session.get_one(tables.Draft, draft.address))


def find(session: Session, address: str) -> Draft | None:
    """Return the draft at an address; None where there is none or it is too old."""
    row = session.get(tables.Draft, address)
    if row is None or row.updated_at < dt.datetime.now(dt.UTC) - LIFE:
        return None
    return Draft.stored(row)


def claim(session: Session, address: str) -> Draft | None:
    """Return the draft at an address as `find` does, for this transaction alone to change."""
    session.execute(select(tables.Draft.id).where(tables.Draft.id == address).with_for_update())
    return find(session, address)


def keep(session: Session, draft: Draft) -> None:
    """Keep a changed draft."""
    row = session.get_one(tables.Draft, draft.address)
    row.answers, row.step, row.updated_at = draft.to_store(), draft.step, dt.datetime.now(dt.UTC)
    row.doubted = watch.is_behind(session, row.updated_at)


def at(draft: Draft, page: str) -> Draft:
    """Return the draft with the page its reader was sent to."""
    return replace(draft, step=page)


def answered(draft: Draft, step: str, form: Typed) -> Draft:
    """Return the draft with a step's fields as typed; what a changed instrument leaves without sense is dropped."""
    typed = {**draft.typed, step: _within_reason(form, named(step).most_fields)}
    new = replace(draft, typed=typed, dropped=(), language=language.spoken())
    before, after = draft.instrument, new.instrument
    if before is None or after is None or before is after:
        return new
    return _without_the_old_instrument(new, before, after)


def faults(session: Session, draft: Draft, step: str) -> dict[str, str]:
    """Return one sentence for each field of a step that cannot be used as it stands."""
    if step == forms.TriedStep.name:
        return _bows(session, draft)[1]
    return named(step).parse(draft.fields(step))[1]


def with_bows_settled(session: Session, draft: Draft) -> Draft:
    """Return the draft with the bows tried as the range names them, those of which nothing is said left out."""
    fields = tried.laid_out(_bows(session, draft)[0])
    return replace(draft, typed={**draft.typed, forms.TriedStep.name: fields})


def with_bow_rows(draft: Draft, *, without: int | None = None, blank: bool = False) -> Draft:
    """Return the draft with one of the bows tried taken out, or room for one more."""
    fields = tried.laid_out(draft.fields(forms.TriedStep.name), without=without, blank=blank)
    return replace(draft, typed={**draft.typed, forms.TriedStep.name: fields})


def _bows(session: Session, draft: Draft) -> tuple[dict[str, list[str]], dict[str, str]]:
    dealer = draft.dealer if dealer_name(session, draft.dealer) else None
    answers = draft.answers()
    fields = draft.fields(forms.TriedStep.name)
    here = draft.player is not None and dealer is not None
    theirs = overview.had_in_hand(session, dealer or "", draft.player or "", revealed=True) if here else ()
    return read_bows(session, dealer, answers, fields, theirs)


def named(step: str) -> type[forms.Step]:
    """Return the step of a name; raises ``KeyError`` for a name of none."""
    return {known.name: known for known in forms.STEPS}[step]


def finish(session: Session, draft: Draft, client: str | None = None) -> str:
    """Turn the draft into its one enquiry, made from ``client``, and return the address of the answer.

    Raises `Unfinished` with the first step that cannot be used as it stands.
    """
    for step in forms.STEPS:
        if faults(session, draft, step.name):
            raise Unfinished(step.name)
    draft = with_bows_settled(session, draft)
    # A dealer who has gone since the draft was begun takes nothing away but his stock.
    dealer = {"dealer": draft.dealer} if dealer_name(session, draft.dealer) else {}
    answers = forms.check(draft.answers() | {"id": draft.enquiry} | dealer)
    advice.advise(session, answers, client=client, marks=_marks(session, draft, answers))
    # The enquiry holds the answers now; a name and an address are kept in one place only.
    keep(session, replace(draft, typed={}, dropped=(), finished=True))
    return result_address(session, draft)


def _marks(session: Session, draft: Draft, answers: forms.Questionnaire) -> Marks:
    """Return what is known of whoever came by a link of their own: of bows what stands in the form, and no other."""
    if draft.player is None or answers.dealer is None:
        return NO_MARKS
    try:
        return known.of_own(session, answers.dealer, answers, draft.player, only_named=True)
    except NotHere:  # erased since
        return NO_MARKS


def dealer_name(session: Session, slug: str | None) -> str | None:
    """Return the name of the dealer of a slug; None where there is no such dealer."""
    return session.scalar(select(tables.Dealer.name).where(tables.Dealer.slug == slug)) if slug else None


def dealer_language(session: Session, slug: str | None) -> str | None:
    """Return the language of the dealer of a slug; None where none is known."""
    return session.scalar(select(tables.Dealer.language).where(tables.Dealer.slug == slug)) if slug else None


def currencies(session: Session, dealer: str | None) -> tuple[str, ...]:
    """Return the currencies that something in the range is priced in, the dealer's own first."""
    own = select(tables.Dealer.currency).where(tables.Dealer.slug == dealer)
    prices = select(tables.Price.currency).where(tables.Price.dealer == dealer).distinct()
    tiers = select(tables.Tier.currency).distinct()
    found = [code for query in (own, prices, tiers) for code in sorted(filter(None, session.scalars(query)))]
    return tuple(dict.fromkeys(found)) or (COMMON_CURRENCY,)


def result_address(session: Session, draft: Draft) -> str:
    """Return the address of a finished draft's answer."""
    return str(advice.address_of(session, draft.enquiry))


def _within_reason(form: Typed, most: int) -> dict[str, list[str]]:
    """Cut what nobody types by hand, and the NUL that no database keeps in text."""
    return {
        name: [value.replace("\0", "")[:_LETTERS] for value in values[:_VALUES]]
        for name, values in list(form.items())[:most]
    }


def _without_the_old_instrument(draft: Draft, before: Instrument, after: Instrument) -> Draft:
    """Drop the hold and the strings when it is no double bass any more, the own bow's mass and lost criteria, and bows tried."""
    typed, dropped = dict(draft.typed), []
    if before is Instrument.DOUBLE_BASS:
        typed[FIRST] = {"instrument": [str(after)]}
        dropped.append("hold")
    own = dict(typed.get(forms.OwnBowStep.name, {}))
    gone = [name for name in _of_the_old_bow(before, after) if any(own.pop(name, []))]
    if gone:
        typed[forms.OwnBowStep.name] = own
        dropped.append("own_bow")
    if typed.pop(forms.TriedStep.name, None):
        dropped.append("tried")
    return replace(draft, typed=typed, dropped=tuple(dropped))


def _of_the_old_bow(before: Instrument, after: Instrument) -> Iterator[str]:
    """Name the own bow's fields that say nothing about a bow for another instrument."""
    yield forms.OwnBowStep.fields["own_bow.mass_g"]
    for criterion in Criterion:
        if criterion in LEADING[before] and criterion not in LEADING[after]:
            yield forms.OwnBowStep.fields[f"own_bow.ratings.{criterion}"]
