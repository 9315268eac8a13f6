"""How much one client may ask in a minute: counted in each process, settled between all of them through the database.

A client is an IPv4 address, or an IPv6 network together with the wider ones around it. Each process decides at once by what it
knows; about once a second it tells the database what was spent since, in one statement, and hears what was spent elsewhere.
Without the database, or while others write, each process goes on alone and settles later. No address is stored, only a digest.
"""

import asyncio
import hmac
import ipaddress
import logging
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from sqlalchemy import Engine, Extract, case, delete, func, or_
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.sql.dml import ReturningInsert

from service.core.database import Database
from service.tables import Spending

BURST = 60.0
"""Seconds: a whole minute's budget may be spent at once."""
MOST_CLIENTS = 20_000
"""So many clients are remembered before those that have fallen silent are forgotten, and of the rest those that spent least."""
SHARES: Mapping[int, int] = {64: 1, 56: 2, 48: 4, 32: 64}
"""Budgets of an IPv6 network by the length of its prefix. A household has a /64 to a /48 to itself (RFC 6177), so that counting
by the /64 alone would give it 65,536 budgets; a /32 is a provider (RFC 6177's and the registries' smallest allocation)."""
SETTLE_EVERY = 1.0
"""Seconds between two settlements, and so the time for which one process may not know what another let pass."""
MOST_SETTLED = 500
"""Clients of one limit in one statement, those who spent most first; the others wait for the next."""
LONGEST_DEBT = 600.0
"""Seconds: what processes that did not know of each other let pass is waited for, but never longer."""
FORGET_AFTER = 3600.0
"""Seconds after which a row is of no use: every debt is over."""
_SLACK = 5e-7
"""Seconds: sums of floats may miss a limit by a rounding error."""
_log = logging.getLogger(__name__)


def networks(host: str) -> tuple[tuple[str, int], ...]:
    """Return what a client is counted by, each with its share of the budget: an IPv4 address; an IPv6 network and those around it."""
    # An IPv4-mapped address (RFC 4291, 2.5.5.2) is its IPv4 address; what is no address stands for itself.
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return ((host, 1),)
    if isinstance(address, ipaddress.IPv6Address):
        if address.ipv4_mapped is None:
            return tuple(
                (f"{ipaddress.IPv6Address(int(address) >> (128 - length) << (128 - length))}/{length}", share)
                for length, share in SHARES.items()
            )
        address = address.ipv4_mapped
    return ((str(address), 1),)


@dataclass(slots=True)
class RateLimit:
    """A leaky bucket for each client (generic cell rate algorithm, ITU-T I.371)."""

    per_minute: int  # what a client may spend in a minute; as much may be spent at once. 0 = no limit.
    name: str = ""  # by which processes know the limit, empty for one that is not settled
    clock: Callable[[], float] = time.monotonic  # seconds, never going back
    refused: Callable[[], None] = lambda: None  # called with each request that has to wait
    _due: dict[str, float] = field(default_factory=dict)
    _unsettled: dict[str, float] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock, repr=False, compare=False)

    def wait(self, client: str, cost: float = 1.0) -> float:
        """Count one request of ``client``; return 0 where it may pass, else the seconds until it may, uncounted."""
        if not self.per_minute:
            return 0.0
        spent = [(key, self._seconds(cost, share)) for key, share in networks(client)]
        with self._lock:
            return self._wait(spent)

    def _wait(self, spent: list[tuple[str, float]]) -> float:
        now = self.clock()
        wait = max(self._level(key, now) + seconds - BURST for key, seconds in spent)
        if wait > _SLACK:
            self.refused()
            return wait
        for key, seconds in spent:
            self._due[key] = now + self._level(key, now) + seconds
            if self.name:
                self._unsettled[key] = self._unsettled.get(key, 0.0) + seconds
        if len(self._due) > 2 * MOST_CLIENTS:
            self._forget(now)
        return 0.0

    def take(self) -> dict[str, float]:
        """Hand out what was spent since the last settlement, in seconds by client; the highest, if there are too many."""
        with self._lock:
            highest = sorted(self._unsettled, key=self._unsettled.__getitem__, reverse=True)[:MOST_SETTLED]
            return {key: self._unsettled.pop(key) for key in highest}

    def give_back(self, spent: Mapping[str, float]) -> None:
        """Take back what could not be settled."""
        with self._lock:
            for key, seconds in spent.items():
                self._unsettled[key] = self._unsettled.get(key, 0.0) + seconds
            if len(self._unsettled) > 2 * MOST_CLIENTS:
                self._unsettled = _highest(self._unsettled)

    def learn(self, levels: Mapping[str, float]) -> None:
        """Hear what all processes together let pass: seconds by client. It only ever adds, so no clock set right forgives."""
        now = self.clock()
        with self._lock:
            for key, level in levels.items():
                self._due[key] = now + max(self._level(key, now), level + self._unsettled.get(key, 0.0))

    def _seconds(self, cost: float, share: int) -> float:
        """Return for how long a client of this share has to be silent to have spent nothing again; one request never more than all."""
        return min(BURST, BURST * cost / (self.per_minute * share))

    def _level(self, key: str, now: float) -> float:
        return max(self._due.get(key, now) - now, 0.0)

    def _forget(self, now: float) -> None:
        self._due = {key: due for key, due in self._due.items() if due > now}
        if len(self._due) > MOST_CLIENTS:
            self._due = _highest(self._due)
        if len(self._unsettled) > MOST_CLIENTS:
            self._unsettled = _highest(self._unsettled)


def _highest(spent: dict[str, float]) -> dict[str, float]:
    return dict(sorted(spent.items(), key=lambda item: item[1], reverse=True)[:MOST_CLIENTS])


class Ledger:
    """Settles limits between all processes on one database.

    ``key``: the secret key; what is stored of a client is a digest under it. ``now``: seconds since 1970, the same for all
    processes; None: the database's own clock, or on SQLite this machine's.
    """

    def __init__(
        self, database: Database, key: str, limits: Sequence[RateLimit], now: Callable[[], float] | None = None
    ) -> None:
        self._database, self._key, self._now = database, key.encode(), now
        self._limits = tuple(limit for limit in limits if limit.name and limit.per_minute)
        self._engine: Engine | None = None
        self._away = False
        self._rounds = 0

    async def keep(self) -> None:
        """Settle every `SETTLE_EVERY` seconds, in a thread, until cancelled."""
        while True:
            await asyncio.sleep(SETTLE_EVERY)
            taken = [limit.take() for limit in self._limits]
            if any(taken):
                levels = await asyncio.to_thread(self._try, taken)
                self._return(taken, levels)

    def settle(self) -> bool:
        """Settle once; return whether the database took it. Where it did not, what was spent is told next time."""
        taken = [limit.take() for limit in self._limits]
        levels = self._try(taken)
        self._return(taken, levels)
        return levels is not None

    def close(self) -> None:
        """Close the connection."""
        if self._engine is not None:
            self._engine.dispose()

    def _return(self, taken: list[dict[str, float]], levels: Mapping[str, float] | None) -> None:
        for limit, spent in zip(self._limits, taken, strict=True):
            if levels is None:
                limit.give_back(spent)
            else:
                limit.learn({key: levels[self._digest(limit, key)] for key in spent})

    def _try(self, taken: list[dict[str, float]]) -> Mapping[str, float] | None:
        """Return the levels by digest, None where the database is away or others are writing."""
        try:
            levels = self._told(taken)
        except (SQLAlchemyError, OSError) as trouble:
            if not self._away:
                _log.warning("rate limits are counted by each process alone for now: %s", type(trouble).__name__)
            self._away = True
            return None
        if self._away:
            _log.warning("rate limits are counted by all processes together again")
        self._away = False
        return levels

    def _told(self, taken: list[dict[str, float]]) -> Mapping[str, float]:
        # In the order of keys, so that two processes never wait for each other's rows.
        of_limits = zip(self._limits, taken, strict=True)
        found = ((self._digest(limit, key), seconds) for limit, of in of_limits for key, seconds in of.items())
        spent = dict(sorted(found))
        if not spent:
            return {}
        if self._engine is None:
            self._engine = self._database.in_passing()
        with self._engine.begin() as connection:
            if self._rounds % int(FORGET_AFTER / SETTLE_EVERY / 60) == 0:
                expired = or_(Spending.at < self._moment() - FORGET_AFTER, Spending.at > self._moment() + FORGET_AFTER)
                connection.execute(delete(Spending).where(expired))
            self._rounds += 1
            return {row.key: row.level for row in connection.execute(self._upsert(spent))}

    def _upsert(self, spent: Mapping[str, float]) -> ReturningInsert[str, float]:
        """Return the statement that adds to what is left of each level; a clock that was set back takes nothing off, nor adds."""
        insert = sqlite.insert if self._database.is_sqlite else postgresql.insert
        new = insert(Spending).values(
            [{"key": key, "level": level, "at": self._moment()} for key, level in spent.items()]
        )
        elapsed = new.excluded.at - Spending.at
        left = Spending.level - case((elapsed > 0, elapsed), else_=0.0)
        level = case((left > 0, left), else_=0.0) + new.excluded.level
        kept = case((level > LONGEST_DEBT, LONGEST_DEBT), else_=level)
        changed = new.on_conflict_do_update(index_elements=["key"], set_={"level": kept, "at": new.excluded.at})
        return changed.returning(Spending.key, Spending.level)

    def _moment(self) -> float | Extract:
        if self._now is not None:
            return self._now()
        return time.time() if self._database.is_sqlite else func.extract("epoch", func.clock_timestamp())

    def _digest(self, limit: RateLimit, key: str) -> str:
        return hmac.new(self._key, f"limit:{limit.name}:{key}".encode(), "sha256").hexdigest()[:32]
