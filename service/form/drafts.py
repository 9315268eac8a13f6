"""A questionnaire on its way: begun, answered step by step in any order, finished once.

A draft keeps what was typed, so that nothing is lost when an answer is wrong or the reader goes back, and beside it what each
step was found to say when it was posted, which is checked anew only where the questions are others by now. The enquiry's id is
drawn with the draft; however often the last step is sent, there is one enquiry.
"""

import datetime as dt
import secrets
import uuid
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Self

from sqlalchemy import CompoundSelect, Row, Select, bindparam, literal, select, union, update
from sqlalchemy.orm import Session

from model.domain.vocabulary import LEADING, Criterion, Instrument
from service import tables
from service.advice import advise
from service.core import clock_watch, language
from service.core.errors import NotFoundError
from service.core.prepared import prepared
from service.dealers import site
from service.modelling import catalogue, present
from service.modelling.present import Present
from service.players import known, overview
from service.players.known import NO_MARKS, Marks
from service.players.tried_bows import meant
from service.questionnaire import forms, tried_fields
from service.questionnaire.steps import in_order
from service.tables.advice import DRAFT_LIFE

COMMON_CURRENCY = "EUR"
"""Offered while nothing in the range has a price."""
FIRST = forms.STEPS[0].name
_LAST = forms.ContactStep.name
_STEPS = {step.name: step for step in forms.STEPS}
_VALUES, _LETTERS = 30, 400
"""So many values of a field and characters of a value are kept; no answer needs more."""

Typed = Mapping[str, list[str]]


class UnfinishedDraftError(Exception):
    """The draft cannot be finished before ``step`` is mended."""

    def __init__(self, step: str) -> None:
        self.step = step
        super().__init__(f"step {step}: got answers that cannot be used, expected them mended first")


@dataclass(frozen=True, slots=True)
class Draft:
    """A questionnaire on its way.

    ``address``: the unguessable part of its link, 192 random bits.
    ``enquiry``: the id of the enquiry it becomes.
    ``dealer``: slug of the dealer on whose page it was begun, None for the whole range.
    ``typed``: what stands in the fields, by step.
    ``dropped``: what the last change of the instrument took away: ``hold``, ``own_bow``, ``tried``.
    ``step``: the step the reader was sent to last.
    ``language``: in which it is being filled in, None where that was not noted.
    ``player``: the key of whoever came by a link of their own; None: nobody who is known.
    ``given``: by step the usable answers, as parts of the API's body.
    ``faulty``: steps of which something cannot be used, whatever the range holds.
    ``reading``: the step answered just now, and what it says; None where none was.
    ``present``: how things stood when the draft was claimed; None where it was not.
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
    given: Mapping[str, forms.Answers] = field(default_factory=dict)
    faulty: frozenset[str] = frozenset()
    reading: tuple[str, forms.Reading] | None = field(default=None, compare=False)
    present: Present | None = field(default=None, compare=False, repr=False)

    def fields(self, step: str) -> Typed:
        """Return what stands in a step's fields."""
        return self.typed.get(step, {})

    def answers(self) -> dict[str, Any]:
        """Return the usable answers of all steps, as the API's body."""
        return {key: value for step in forms.STEPS for key, value in self.given.get(step.name, {}).items()}

    @property
    def instrument(self) -> Instrument | None:
        """Return the instrument chosen, None before."""
        chosen = self.given.get(FIRST, {}).get("instrument")
        return Instrument(chosen) if chosen else None

    def read(self, step: str, beside: forms.Answers | None = None) -> Self:
        """Return the draft with what a step's fields say; ``beside``: the answers of the other steps, where all are checked together."""
        found = named(step).read(self.fields(step), beside)
        faulty = self.faulty | {step} if found.errors else self.faulty - {step}
        faulty |= {step_of_answer(path) for path in found.elsewhere}
        return replace(self, given={**self.given, step: found.answers}, faulty=faulty, reading=(step, found))

    def may_keep(self, step: str) -> bool:
        """Say whether a step's fields may be stored: a name and an address only with consent."""
        return step != forms.ContactStep.name or "yes" in self.fields(step).get("consent_advice", ())

    @classmethod
    def stored(cls, row: Row[Any]) -> Self:
        """Return the draft in a row of `_ROW`."""
        kept = dict(row.answers)
        version, given, faulty = kept.pop("questions", None), kept.pop("given", {}), kept.pop("faulty", ())
        draft = cls(address=row.id, step=row.step, dropped=tuple(kept.pop("dropped", ())), **kept)
        if version != forms.version():
            return draft.read_anew()
        return replace(draft, given=given, faulty=frozenset(faulty))

    def read_anew(self) -> Self:
        """Return the draft with what its fields say by today's questions."""
        draft = replace(self, given={}, faulty=frozenset())
        for step in dict.fromkeys((FIRST, *self.typed)):
            draft = draft.read(step) if step in _STEPS else draft
        return replace(draft, reading=None)

    def to_store(self) -> dict[str, Any]:
        """Return what the row's ``answers`` hold."""
        return {
            "enquiry": self.enquiry,
            "dealer": self.dealer,
            "typed": {step: dict(fields) for step, fields in self.typed.items() if self.may_keep(step)},
            # The contact is checked when it is posted, at the end, and stands in what was typed alone.
            "given": {step: given for step, given in self.given.items() if step != _LAST},
            "faulty": sorted(self.faulty - {_LAST}),
            "questions": forms.version(),
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
    ).read_anew()
    session.add(
        tables.Draft(
            id=draft.address,
            created_at=now,
            updated_at=now,
            answers=draft.to_store(),
            step=draft.step,
            doubted=clock_watch.is_behind(session, now),
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
    led = at(draft, _LAST if len(answers) > 1 else FIRST)
    keep(session, led)
    return led


def find(session: Session, address: str) -> Draft | None:
    """Return the draft at an address; None where there is none or it is too old."""
    row = session.execute(*_at(address)).first()
    return None if row is None or _is_over(row) else Draft.stored(row)


_TABLE = tables.Draft.__table__
_ROW = tuple(_TABLE.c[name] for name in ("id", "updated_at", "answers", "step"))
"""The columns that a draft is read from, as columns: an object of the session would be made, watched and forgotten."""


@prepared
def _at(address: str) -> Select[*tuple[Any, ...]]:
    return select(*_ROW).where(_TABLE.c.id == address)


@prepared
def _claimed(address: str) -> Select[*tuple[Any, ...]]:
    return present.beside(select(*_ROW).where(_TABLE.c.id == address).with_for_update(of=_TABLE))


def _is_over(row: Row[Any]) -> bool:
    return bool(row.updated_at < dt.datetime.now(dt.UTC) - DRAFT_LIFE)


def claim(session: Session, address: str) -> Draft | None:
    """Return the draft at an address as `find` does, for this transaction alone to change; in one statement, with how things stand."""
    found = session.execute(*_claimed(address)).one_or_none()
    if found is None or _is_over(found):
        return None
    return replace(Draft.stored(found), present=present.of(found))


def keep(session: Session, draft: Draft) -> None:
    """Keep a changed draft."""
    session.flush()
    now = dt.datetime.now(dt.UTC)
    doubted = draft.present.is_behind(now) if draft.present else clock_watch.is_behind(session, now)
    changed = {"answers_": draft.to_store(), "step_": draft.step, "updated_at_": now, "doubted_": doubted}
    # Past the session's objects: nothing reads the row again in this transaction.
    session.connection().execute(_KEPT, {**changed, "address_": draft.address})


_KEPT = (
    update(tables.Draft)
    .where(tables.Draft.id == bindparam("address_"))
    .values({name: bindparam(f"{name}_") for name in ("answers", "step", "updated_at", "doubted")})
)


def at(draft: Draft, page: str) -> Draft:
    """Return the draft with the page its reader was sent to."""
    return replace(draft, step=page)


def answered(draft: Draft, step: str, form: Typed) -> Draft:
    """Return the draft with a step's fields as typed; what a changed instrument leaves without sense is dropped."""
    typed = {**draft.typed, step: _within_reason(form, named(step).most_fields)}
    # The last step is checked together with all before it, as the whole that becomes an enquiry.
    answers = draft.answers() if step == _LAST else None
    new = replace(draft, typed=typed, dropped=(), language=language.spoken()).read(step, answers)
    old_instrument, new_instrument = draft.instrument, new.instrument
    if old_instrument is None or new_instrument is None or old_instrument is new_instrument:
        return new
    return _without_the_old_instrument(new, old_instrument, new_instrument)


def faults(session: Session, draft: Draft, step: str) -> dict[str, str]:
    """Return one sentence for each field of a step that cannot be used as it stands."""
    if step == forms.TriedStep.name:
        return with_bows_settled(session, draft)[1]
    return _read(draft, step).errors


def _read(draft: Draft, step: str) -> forms.Reading:
    """Return what a step says, as it was read just now or, where it was not, read here."""
    answered_step, found = draft.reading or ("", forms.Reading({}))
    return found if answered_step == step else named(step).read(draft.fields(step))


def with_bows_settled(session: Session, draft: Draft) -> tuple[Draft, dict[str, str]]:
    """Return the draft with the bows tried as the range names them, those of which nothing is said left out, and what is wrong."""
    fields, found = draft.fields(forms.TriedStep.name), _read(draft, forms.TriedStep.name)
    bows, indices = found.answers.get("tried", []), tried_fields.usable(fields, found.errors)
    serials, unknown = _meant(session, draft, bows)
    named = {tried_fields.field(indices[place], "copy"): [serial] for place, serial in serials.items()}
    typed = {**draft.typed, forms.TriedStep.name: tried_fields.laid_out({**tried_fields.only(fields), **named})}
    settled = replace(draft, typed=typed, given={**draft.given, forms.TriedStep.name: _tried(bows, serials)})
    return settled, found.errors | {
        tried_fields.field(indices[place], "copy"): sentence for place, sentence in unknown.items()
    }


def _tried(bows: Sequence[forms.Answers], serials: Mapping[int, str]) -> forms.Answers:
    named = [{**bow, "copy": serials.get(place, bow["copy"])} for place, bow in enumerate(bows)]
    return {"tried": named} if named else {}


def _meant(session: Session, draft: Draft, bows: Sequence[Mapping[str, Any]]) -> tuple[dict[int, str], dict[int, str]]:
    """Return by place which bows of the range are meant, and why one is none."""
    if not bows:
        return {}, {}
    dealer = draft.dealer if draft.dealer in catalogue.current(session, draft.present).dealers else None
    is_known_player = draft.player is not None and dealer is not None
    theirs = overview.had_in_hand(session, dealer or "", draft.player or "", revealed=True) if is_known_player else ()
    return meant(session, dealer, draft.answers(), [bow["copy"] for bow in bows], theirs)


def named(step: str) -> type[forms.FormStep]:
    """Return the step of a name; raises ``KeyError`` for a name of none."""
    return _STEPS[step]


def step_of_answer(path: str) -> str:
    """Return the step that asks for the answer at a path of the API's body, the last one for what none asks for."""
    key = path.partition(".")[0]
    return next((step.name for step in forms.STEPS if key in step.keys), _LAST)


def finish(session: Session, draft: Draft, client: str | None = None) -> str:
    """Turn the draft into its one enquiry, made from ``client``, and return the address of the answer.

    What each step says was checked when it was posted, the last one together with all others; bows that were played are looked
    for once more. Raises `UnfinishedDraftError` with the first step that cannot be used as it stands.
    """
    for step in forms.STEPS:
        if step.name in draft.faulty:
            raise UnfinishedDraftError(step.name)
    if draft.reading is None or draft.reading[0] != _LAST:
        draft = draft.read(_LAST, draft.answers())
    whole = _read(draft, _LAST).whole
    if whole is None:
        raise UnfinishedDraftError(_LAST)
    now = draft.present or present.read(session)
    shown = catalogue.current(session, now)
    # A dealer who has gone since the draft was begun takes nothing away but his stock.
    dealer = {"dealer": draft.dealer} if draft.dealer in shown.dealers else {}
    played = {"tried": _found(session, draft, whole)} if whole.tried else {}
    answers = whole.model_copy(update={"id": uuid.UUID(draft.enquiry), **played, **dealer})
    enquiry = advise.enquire(session, answers, client=client, marks=_marks(session, draft, answers), present=now)
    # The enquiry holds the answers now; a name and an address are kept in one place only.
    keep(session, replace(draft, typed={}, given={}, faulty=frozenset(), dropped=(), finished=True))
    return enquiry.address


def _found(session: Session, draft: Draft, whole: forms.Questionnaire) -> tuple[forms.Tried, ...]:
    """Return the bows tried as the range names them now; raises `UnfinishedDraftError` where one is none of it any more."""
    bows = draft.given.get(forms.TriedStep.name, {}).get("tried", [])
    serials, unknown = _meant(session, draft, bows)
    if unknown:
        raise UnfinishedDraftError(forms.TriedStep.name)
    return tuple(each.model_copy(update={"copy_": serials[place]}) for place, each in enumerate(whole.tried))


def _marks(session: Session, draft: Draft, answers: forms.Questionnaire) -> Marks:
    """Return what is known of whoever came by a link of their own: of bows what stands in the form, and no other."""
    if draft.player is None or answers.dealer is None:
        return NO_MARKS
    try:
        return known.of_own(session, answers.dealer, answers, draft.player, only_named=True)
    except NotFoundError:  # erased since
        return NO_MARKS


def dealer_name(session: Session, slug: str | None) -> str | None:
    """Return the name of the dealer of a slug; None where there is no such dealer."""
    return site.front(session, slug).name


def currencies(session: Session, dealer: str | None) -> tuple[str, ...]:
    """Return the currencies that something in the range is priced in, the dealer's own first."""
    found = sorted((place, code) for place, code in session.execute(*_used(dealer)) if code)
    return tuple(dict.fromkeys(code for _place, code in found)) or (COMMON_CURRENCY,)


@prepared
def _used(dealer: str | None) -> CompoundSelect[int, str | None]:
    own = select(literal(0), tables.Dealer.currency).where(tables.Dealer.slug == dealer)
    prices = select(literal(1), tables.Price.currency).where(tables.Price.dealer == dealer)
    return union(own, prices, select(literal(2), tables.Tier.currency))


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
        draft = replace(
            draft, given={**draft.given, forms.TriedStep.name: {}}, faulty=draft.faulty - {forms.TriedStep.name}
        )
    steps = {forms.OwnBowStep.name} if gone else set()
    steps |= _forget_unasked(typed, before, after)
    changed = replace(draft, typed=typed, dropped=tuple(dropped))
    for step in steps:
        changed = changed.read(step)
    return replace(changed, reading=draft.reading)


def _forget_unasked(typed: dict[str, Typed], before: Instrument, after: Instrument) -> set[str]:
    """Take out what is asked of the old instrument alone, and return the steps it stood in; the first has its own way."""
    found = [each for each in in_order() if each.asked_of(before) and not each.asked_of(after)]
    steps = {each.asked.step for each in found if typed.get(each.asked.step, {}).get(each.asked.field)} - {FIRST}
    fields = {each.asked.field for each in found}
    for step in steps:
        typed[step] = {name: values for name, values in typed[step].items() if name not in fields}
    return steps


def _of_the_old_bow(before: Instrument, after: Instrument) -> Iterator[str]:
    """Name the own bow's fields that say nothing about a bow for another instrument."""
    yield forms.OwnBowStep.fields["own_bow.mass_g"]
    for criterion in Criterion:
        if criterion in LEADING[before] and criterion not in LEADING[after]:
            yield forms.OwnBowStep.fields[f"own_bow.ratings.{criterion}"]
