"""What is stored, seen as the rows of the eight files: the same columns, the same values, the files' order.

`dump` writes these rows; `load` compares them with a folder's. Of a run and an outcome the highest revision counts. Trials of
players who keep their ratings to themselves are in no file.
"""

from collections.abc import Collection, Iterable, Iterator
from itertools import islice
from typing import Any, TypeVar

from sqlalchemy import ColumnElement, Select, case, exists, func, select
from sqlalchemy.orm import InstrumentedAttribute, Session, aliased

from model.domain.vocabulary import OWN
from service.inventory.files import kinds
from service.inventory.files.cells import CANNOT_TELL
from service.inventory.files.kinds import FileKind
from service.players import same_person
from service.questionnaire.questions import HISTORY
from service.tables import (
    INSTRUMENTS,
    QUANTITIES,
    RATED,
    BenchReading,
    Copy,
    Event,
    JoinedPlayer,
    Outcome,
    Player,
    Price,
    Run,
    Tier,
    TierCharacter,
    Trial,
    newest_outcome,
    newest_run,
)

FETCHED = 2_000
"""Rows or keys handled at a time, so that memory does not grow with the history."""
Values = dict[str, Any]
_STANDS = aliased(Player)
"""Who stands for a player whom a dealer's staff joined to another."""
T = TypeVar("T")


def rows(session: Session, kind: FileKind, only: Collection[str] | None = None) -> Iterator[Values]:
    """Yield the stored rows of a kind, in the file's order unless ``only`` names values of its first key; each whole, with any ``revision``."""
    statement, first_key = _STATEMENTS[kind.name]
    if only is None:
        yield from _fetch(session, statement.where(_lent()) if kind.name in _OF_PLAYERS else statement)
        return
    for part in batched(sorted(only)):
        yield from _fetch(session, statement.where(first_key.in_(part)))


def _lent() -> ColumnElement[bool]:
    """Return the condition that a trial's player lets others learn from it: a file has no column to say so, hence holds no other."""
    return Trial.player.in_(select(Player.id).where(Player.in_model).correlate(None))


def batched(items: Iterable[T]) -> Iterator[list[T]]:
    """Yield the items in lists of at most `FETCHED`."""
    remaining = iter(items)
    while part := list(islice(remaining, FETCHED)):
        yield part


def _fetch(session: Session, statement: Select[*tuple[Any, ...]]) -> Iterator[Values]:
    result = session.execute(statement.execution_options(yield_per=FETCHED))
    for mapping in result.mappings():
        # The tables' ways of saying 'nothing' and 'cannot tell' become the files'.
        values = dict(mapping)
        for name in ("holds", "settings", "priorities"):
            if values.get(name) == "":
                values[name] = None
        for name in (values.pop("cannot_tell", None) or "").split():
            values[name] = CANNOT_TELL
        if "quantity" in values:
            values["unit"] = QUANTITIES[values["quantity"]]
        yield values


Statement = tuple[Select[*tuple[Any, ...]], InstrumentedAttribute[str]]


_COLUMNS = {"date": "on", "kept": "id", ("tiers.csv", "tier"): "slug", ("copies.csv", "copy"): "serial"}
"""What columns of the files are called in the tables, where that is otherwise."""


def _plain(kind: FileKind, table: Any, *order: Any, more: tuple[str, ...] = ()) -> Statement:
    """Ask for the rows of a file that are one table's, and for ``more`` of each, by their key unless another order is given."""
    asked = [name for name in (*kind.order, *more) if name != "unit"]
    names = {name: _COLUMNS.get((kind.name, name)) or _COLUMNS.get(name, name) for name in asked}
    columns = {name: getattr(table, column) for name, column in names.items()}
    key = [columns[name] for name in kind.key]
    return select(*(column.label(name) for name, column in columns.items())).order_by(*(order or key)), key[0]


_PLACE = case({word: index for index, word in enumerate(INSTRUMENTS)}, value=Tier.instrument)


def _runs() -> Statement:
    statement = (
        select(
            Trial.key.label("trial"),
            func.coalesce(_STANDS.key, Player.key).label("player"),
            *(Trial.dealer, Trial.on.label("date")),
            *(getattr(Trial, kept.column) for _question, kept in HISTORY),
            *(Trial.place, Trial.blinding, Trial.instrument_used),
            *(Run.rater, Run.position, func.coalesce(Run.copy, OWN).label("copy")),
            *(getattr(Run, name) for name in RATED),
            *(Run.clean_strokes, Run.strokes, Run.note, Run.cannot_tell, Run.revision),
        )
        .join(Trial, Run.trial == Trial.id)
        .join(Player, Trial.player == Player.id)
        .outerjoin(JoinedPlayer, same_person.joined_at(Trial.dealer, Trial.player))
        .outerjoin(_STANDS, _STANDS.id == JoinedPlayer.head)
        .where(newest_run())
    )
    return statement.order_by(Trial.key, Run.position, Run.rater), Trial.key


def _outcomes() -> Statement:
    statement = (
        select(
            Trial.key.label("trial"),
            *(Outcome.on.label("date"), Outcome.outcome, Outcome.copy, Outcome.reason, Outcome.revision),
            *(Outcome.price, Outcome.currency),
        )
        .join(Trial, Outcome.trial == Trial.id)
        # A trial without a run is in no file, and neither is what came of it.
        .where(newest_outcome(), exists().where(Run.trial == Trial.id))
    )
    order = (Trial.key, Outcome.on, Outcome.outcome, func.coalesce(Outcome.copy, ""))
    return statement.order_by(*order), Trial.key


_OF_PLAYERS = frozenset({kinds.RUNS.name, kinds.OUTCOMES.name})
_STATEMENTS: dict[str, Statement] = {
    kinds.TIERS.name: _plain(kinds.TIERS, Tier, _PLACE, Tier.grade, Tier.slug),
    kinds.CHARACTER.name: _plain(kinds.CHARACTER, TierCharacter),
    kinds.PRICES.name: _plain(kinds.PRICES, Price),
    kinds.COPIES.name: _plain(kinds.COPIES, Copy),
    kinds.BENCH.name: _plain(kinds.BENCH, BenchReading, more=("kept",)),
    kinds.EVENTS_FILE.name: _plain(kinds.EVENTS_FILE, Event),
    kinds.RUNS.name: _runs(),
    kinds.OUTCOMES.name: _outcomes(),
}
