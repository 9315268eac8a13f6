"""Range and history as the model's records, read in bulk: a handful of queries whatever the size.

Of a run the highest revision of the player's own sheet is read; what the player could not tell is left out.
"""

import hashlib
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from itertools import groupby
from typing import Any

from sqlalchemy import ColumnElement, Row, Select, exists, func, literal, select
from sqlalchemy.orm import InstrumentedAttribute, Session, aliased

from model.choice import Offer
from model.domain.records import Answers, Bench, Copy, Event, Outcome, Range, Run, Tier, Trial
from model.domain.vocabulary import CRITERIA, Blinding, Criterion, EventKind, Hold, Place, Setting
from model.features import bench_traits
from service import tables
from service.players import same_person
from service.tables import BENCH_COLUMNS, newest_outcome, newest_run

FETCHED = 2_000
"""Rows fetched at a time."""


def read_range(session: Session) -> Range:
    """Return all tiers and copies."""
    measured: dict[str, Mapping[str, Sequence[float]]] = dict(map(tuple, _rows(session, _measured())))
    said: dict[str, dict[Criterion, int]] = {}
    for tier, criterion, step in _rows(session, _character()):
        said.setdefault(tier, {})[Criterion(criterion)] = step
    return Range(
        tiers={
            slug: Tier(slug, instrument, grade, frozenset(Hold(hold) for hold in holds.split()), said.get(slug, {}))
            for slug, instrument, grade, holds in _rows(session, _tiers())
        },
        copies={
            serial: Copy(serial, tier, hold, _bench(values, measured.get(serial, {})))
            for serial, tier, hold, *values in _rows(session, _copies())
        },
    )


def _bench(values: Sequence[float | None], measured: Mapping[str, Sequence[float]]) -> Bench:
    """Return what the bench knows of a copy: of values that were not read here it is as sure as is usual."""
    shown = {name: value for name, value in zip(BENCH_COLUMNS, values, strict=True) if value is not None}
    found = {name: (value, bench_traits.READINGS[name].usual(value)) for name, value in shown.items()}
    for name, (seen, value, sd) in measured.items():
        if name in bench_traits.READINGS and (name not in BENCH_COLUMNS or shown.get(name) == seen):
            found[name] = value, sd
    return Bench(
        **{name: value for name, (value, _) in found.items()}, sd={name: sd for name, (_, sd) in found.items()}
    )


def read_trials(session: Session) -> tuple[Trial, ...]:
    """Return by key every trial with a sheet of its player, of those in the model; what is not known is the usual: in the shop, and blind."""
    runs = {
        trial: tuple(map(_run, group))
        for trial, group in groupby(_rows(session, _ratings(tables.Run.clean_strokes)), key=lambda row: row.trial)
    }
    return tuple(_trial(row, runs[row.key]) for row in _rows(session, _trials()))


def read_events(session: Session) -> tuple[Event, ...]:
    """Return what was done to copies, by copy and day."""
    return tuple(Event(copy, day, EventKind(event)) for copy, day, event in _rows(session, _events()))


def read_outcomes(session: Session) -> tuple[Outcome, ...]:
    """Return what came of the trials, by trial and day, the highest revision of each."""
    return tuple(Outcome(*row) for row in _rows(session, _outcomes()))


def read_offers(session: Session) -> dict[str, Offer]:
    """Return by trial what its player could pay, and what the tiers cost there, in one currency; nothing is converted.

    Where no budget was named, the currency is the one that most tiers are priced in at that dealer; what was paid in another
    tells nothing.
    """
    trial = tables.Trial
    asked = select(trial.key, trial.dealer, trial.budget, trial.currency).where(_in_model()).order_by(trial.key)
    rows = list(_rows(session, asked))
    on_sale = {dealer: prices(session, dealer) for dealer in {row.dealer for row in rows}}
    paid: dict[str, dict[str, tuple[Decimal, str]]] = {}
    for key, copy, price, currency in _rows(session, _paid()):
        paid.setdefault(key, {})[copy] = (price, currency)
    return {key: _offer(on_sale[dealer], budget, currency, paid.get(key, {})) for key, dealer, budget, currency in rows}


def _offer(
    on_sale: Mapping[str, tuple[Decimal, str]],
    budget: Decimal | None,
    currency: str | None,
    paid: Mapping[str, tuple[Decimal, str]],
) -> Offer:
    used = Counter(each for _price, each in on_sale.values())
    of_offer = currency or min(used, key=lambda of: (-used[of], of), default=None)
    in_it, was_paid = (
        {name: float(price) for name, (price, of) in known.items() if of == of_offer} for known in (on_sale, paid)
    )
    return Offer(in_it, float(budget) if budget is not None and currency else None, was_paid)


def prices(session: Session, dealer: str | None = None) -> dict[str, tuple[Decimal, str]]:
    """Return slug -> (price, currency) of the tiers that have one, as a dealer's players pay it; of no known dealer, the tiers' own prices."""
    own = select(tables.Tier.slug, tables.Tier.price, tables.Tier.currency).where(tables.Tier.price.is_not(None))
    found = {tier: (price, currency) for tier, price, currency in _rows(session, own)}
    statement = select(tables.Price.tier, tables.Price.price, tables.Price.currency).where(
        tables.Price.dealer == dealer
    )
    return found | {tier: (price, currency) for tier, price, currency in _rows(session, statement)}


def stock(session: Session, dealer: str | None) -> tuple[str, ...]:
    """Return the serials in stock at a dealer, at the workshop for None."""
    copy = tables.Copy
    place = copy.dealer.is_(None) if dealer is None else copy.dealer == dealer
    return tuple(session.scalars(select(copy.serial).where(place, copy.status == "in_stock").order_by(copy.serial)))


def stock_by_dealer(session: Session) -> dict[str | None, frozenset[str]]:
    """Return the serials in stock at every dealer that has any, and for None at the workshop."""
    copy = tables.Copy
    found: dict[str | None, set[str]] = {}
    for dealer, serial in _rows(session, select(copy.dealer, copy.serial).where(copy.status == "in_stock")):
        found.setdefault(dealer, set()).add(serial)
    return {dealer: frozenset(serials) for dealer, serials in found.items()}


def range_mark(session: Session) -> tuple[str, str]:
    """Return two words: the first is another one after every change of dealers, tiers, what is said of them, prices, copies or events.

    The second is another one after these and after every change of where a copy is, too.
    """
    facts, _, stock = session.scalars(select(tables.RangeState.mark)).one().partition(".")
    return facts, stock


def digest(session: Session) -> str:
    """Return the SHA-256 of all that a fit reads; the same data give the same digest on every database."""
    summed = hashlib.sha256()
    for statement in (_tiers(), _copies(), _trials(), _ratings(), _events(), _outcomes(), *_prices()):
        _sum_up(summed, _rows(session, statement))
        summed.update(b"\x1d")
    # Last and without an end of their own: what was told before words and prices paid were kept has the digest that it had.
    _sum_up(summed, _rows(session, _character()))
    # Likewise of a history in which no strokes were played.
    strokes = _runs(literal("strokes"), tables.Run.clean_strokes).where(tables.Run.clean_strokes.is_not(None))
    _sum_up(summed, _rows(session, strokes))
    # And of a range that was not measured here.
    _sum_up(summed, _rows(session, _measured()))
    _sum_up(summed, _rows(session, _paid()))
    return summed.hexdigest()


def _sum_up(summed: Any, rows: Iterator[Row[*tuple[Any, ...]]]) -> None:
    for row in rows:
        summed.update("\x1f".join("" if value is None else str(value) for value in row).encode())
        summed.update(b"\x1e")


Statement = Select[*tuple[Any, ...]]


def _rows(session: Session, statement: Statement) -> Iterator[Row[*tuple[Any, ...]]]:
    return iter(session.execute(statement.execution_options(yield_per=FETCHED)))


def _tiers() -> Statement:
    tier = tables.Tier
    return select(tier.slug, tier.instrument, tier.grade, tier.holds).order_by(tier.slug)


def _character() -> Statement:
    said = tables.TierCharacter
    return (
        select(said.tier, said.criterion, said.step).where(said.step.is_not(None)).order_by(said.tier, said.criterion)
    )


def _copies() -> Statement:
    copy = tables.Copy
    measured = [getattr(copy, column) for column in BENCH_COLUMNS]
    return select(copy.serial, copy.tier, copy.hold, *measured).order_by(copy.serial)


def _measured() -> Statement:
    copy = tables.Copy
    return select(copy.serial, copy.measured).where(copy.measured.is_not(None)).order_by(copy.serial)


def _prices() -> tuple[Statement, Statement]:
    tier, price = tables.Tier, tables.Price
    return (
        select(tier.slug, tier.price, tier.currency).order_by(tier.slug),
        select(price.tier, price.dealer, price.price, price.currency).order_by(price.tier, price.dealer),
    )


def _trials() -> Statement:
    trial, player, run, stands = tables.Trial, tables.Player, tables.Run, aliased(tables.Player)
    return (
        select(
            trial.key,
            func.coalesce(stands.key, player.key).label("player"),
            trial.on,
            *(trial.instrument, trial.hold, trial.settings, trial.priorities, trial.wish_mass, trial.wish_tone),
            *(trial.blinding, trial.place, trial.dealer, trial.budget, trial.currency),
        )
        .join(player, trial.player == player.id)
        .outerjoin(tables.JoinedPlayer, same_person.joined_at(trial.dealer, trial.player))
        .outerjoin(stands, stands.id == tables.JoinedPlayer.head)
        .where(player.in_model, exists().where(run.trial == trial.id, run.rater == "player"))
        .order_by(trial.key)
    )


def _ratings(*more: InstrumentedAttribute[Any]) -> Statement:
    return _runs(tables.Run.copy, *more, *(getattr(tables.Run, criterion) for criterion in CRITERIA))


def _runs(*columns: ColumnElement[Any] | InstrumentedAttribute[Any]) -> Statement:
    trial, run = tables.Trial, tables.Run
    return (
        select(trial.key.label("trial"), run.position, *columns)
        .join(trial, run.trial == trial.id)
        .where(run.rater == "player", newest_run(), _in_model())
        .order_by(trial.key, run.position)
    )


def _in_model() -> ColumnElement[bool]:
    """Return the condition that a fit may read a trial: its player did not ask to be left out."""
    return exists().where(tables.Player.id == tables.Trial.player, tables.Player.in_model)


def _events() -> Statement:
    event = tables.Event
    return select(event.copy, event.on, event.event).order_by(event.copy, event.on, event.event)


def _outcomes() -> Statement:
    trial, outcome = tables.Trial, tables.Outcome
    return (
        select(trial.key, outcome.on, outcome.outcome, outcome.copy)
        .join(trial, outcome.trial == trial.id)
        .where(newest_outcome(), _in_model())
        .order_by(trial.key, outcome.on, outcome.outcome, func.coalesce(outcome.copy, ""))
    )


def _paid() -> Statement:
    trial, outcome = tables.Trial, tables.Outcome
    return (
        select(trial.key, outcome.copy, outcome.price, outcome.currency)
        .join(trial, outcome.trial == trial.id)
        .where(newest_outcome(), _in_model(), outcome.price.is_not(None))
        .order_by(trial.key, outcome.on, outcome.copy)
    )


def _run(row: Row[*tuple[Any, ...]]) -> Run:
    _, position, copy, clean, *ratings = row
    given = {c: float(value) for c, value in zip(CRITERIA, ratings, strict=True) if value is not None}
    return Run(position, copy, given, clean)


def _trial(row: Row[*tuple[Any, ...]], runs: tuple[Run, ...]) -> Trial:
    settings = frozenset(map(Setting, row.settings.split()))
    priorities = tuple(map(Criterion, row.priorities.split()))
    answers = Answers(row.instrument, row.hold, settings, priorities, row.wish_mass, row.wish_tone)
    blinding, place = row.blinding or Blinding.BLIND, row.place or Place.SHOP
    return Trial(row.key, row.player, row.on, answers, runs, blinding=blinding, place=place)
