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
from service import tables
from service.inventory.files import kinds
from service.inventory.files.cells import CANNOT_TELL
from service.inventory.files.kinds import FileKind
from service.players import same_person
from service.questionnaire.questions import HISTORY

FETCHED = 2_000
"""Rows or keys handled at a time, so that memory does not grow with the history."""
Values = dict[str, Any]
_STANDS = aliased(tables.Player)
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
    return tables.Trial.player.in_(select(tables.Player.id).where(tables.Player.in_model).correlate(None))


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
            values["unit"] = tables.QUANTITIES[values["quantity"]]
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


_PLACE = case({word: index for index, word in enumerate(tables.INSTRUMENTS)}, value=tables.Tier.instrument)


def _runs() -> Statement:
    statement = (
        select(
            tables.Trial.key.label("trial"),
            func.coalesce(_STANDS.key, tables.Player.key).label("player"),
            *(tables.Trial.dealer, tables.Trial.on.label("date")),
            *(getattr(tables.Trial, kept.column) for _question, kept in HISTORY),
            *(tables.Trial.place, tables.Trial.blinding, tables.Trial.instrument_used),
            *(tables.Run.rater, tables.Run.position, func.coalesce(tables.Run.copy, OWN).label("copy")),
            *(getattr(tables.Run, name) for name in tables.RATED),
            *(tables.Run.clean_strokes, tables.Run.strokes),
            *(tables.Run.note, tables.Run.cannot_tell, tables.Run.revision),
        )
        .join(tables.Trial, tables.Run.trial == tables.Trial.id)
        .join(tables.Player, tables.Trial.player == tables.Player.id)
        .outerjoin(tables.JoinedPlayer, same_person.joined_at(tables.Trial.dealer, tables.Trial.player))
        .outerjoin(_STANDS, _STANDS.id == tables.JoinedPlayer.head)
        .where(tables.newest_run())
    )
    return statement.order_by(tables.Trial.key, tables.Run.position, tables.Run.rater), tables.Trial.key


def _outcomes() -> Statement:
    statement = (
        select(tables.Trial.key.label("trial"), tables.Outcome.on.label("date"), tables.Outcome.outcome)
        .add_columns(tables.Outcome.copy, tables.Outcome.reason, tables.Outcome.revision)
        .add_columns(tables.Outcome.price, tables.Outcome.currency)
        .join(tables.Trial, tables.Outcome.trial == tables.Trial.id)
        # A trial without a run is in no file, and neither is what came of it.
        .where(tables.newest_outcome(), exists().where(tables.Run.trial == tables.Trial.id))
    )
    order = (tables.Trial.key, tables.Outcome.on, tables.Outcome.outcome, func.coalesce(tables.Outcome.copy, ""))
    return statement.order_by(*order), tables.Trial.key


_OF_PLAYERS = frozenset({kinds.RUNS.name, kinds.OUTCOMES.name})
_STATEMENTS: dict[str, Statement] = {
    kinds.TIERS.name: _plain(kinds.TIERS, tables.Tier, _PLACE, tables.Tier.grade, tables.Tier.slug),
    kinds.CHARACTER.name: _plain(kinds.CHARACTER, tables.TierCharacter),
    kinds.PRICES.name: _plain(kinds.PRICES, tables.Price),
    kinds.COPIES.name: _plain(kinds.COPIES, tables.Copy),
    kinds.BENCH.name: _plain(kinds.BENCH, tables.BenchReading, more=("kept",)),
    kinds.EVENTS_FILE.name: _plain(kinds.EVENTS_FILE, tables.Event),
    kinds.RUNS.name: _runs(),
    kinds.OUTCOMES.name: _outcomes(),
}
