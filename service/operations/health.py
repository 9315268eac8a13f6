"""Whether the service is well, part by part: what `check` prints, and what `/health/ready` tells a load balancer."""

import asyncio
import datetime as dt
import ipaddress
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import text
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session

from service import migrations
from service.core.database import Database
from service.core.errors import ConflictError
from service.core.moments import utc_now
from service.mail import outbox
from service.modelling import versions

LEAST_FREE = 200 * 1024 * 1024
"""Bytes on the disk below which there is an alarm."""
TOO_LONG = dt.timedelta(hours=1)
"""What waits in the outbox for longer than this is a reason for alarm."""
LOOK_SECONDS = 2.0
"""So long a load balancer is let wait for what the parts tell; it asks again in a few seconds, and soon takes silence for an answer."""
AWAY = "The database does not answer."
NARROWEST = 8
"""Bits of a network that proxies may be in: 10.0.0.0/8 is the widest of private use (RFC 1918)."""
NEEDED = frozenset({"database", "tables", "disk"})
"""Without these nobody can be answered. A damaged model has one that stands in for it, and mail that waits would go no sooner
from another machine: both are told, and the service stays in use."""


@dataclass(frozen=True, slots=True)
class Finding:
    """How one part stands: ``said`` is one line for whoever looks after the service, for nobody else's eyes."""

    part: str
    said: str
    well: bool


def findings(database: Database, folder: Path) -> Iterator[Finding]:
    """Tell of the database, its tables, the model, the outbox, and ``folder``'s disk; not of what rests on a part that is missing."""
    try:
        yield from _stored(database)
    except (ConflictError, SQLAlchemyError) as error:
        yield Finding("database", str(error) if isinstance(error, ConflictError) else AWAY, False)
    yield _disk(folder)


class ReadinessLook:
    """Looks at the parts for a load balancer: in a thread that no request waits for, one look for all who ask meanwhile, and not for long."""

    def __init__(self, database: Database, folder: Path) -> None:
        self._database, self._folder = database, folder
        self._under_way: asyncio.Future[list[Finding]] | None = None

    async def findings(self) -> list[Finding]:
        """Return what `findings` tells; that the database does not answer, where it has not within `LOOK_SECONDS`."""
        under_way = self._under_way
        if under_way is None or under_way.done() or under_way.get_loop() is not asyncio.get_running_loop():
            under_way = asyncio.ensure_future(asyncio.to_thread(lambda: list(findings(self._database, self._folder))))
            self._under_way = under_way
        await asyncio.wait([under_way], timeout=LOOK_SECONDS)
        if under_way.done():
            return under_way.result()
        return [Finding("database", AWAY, False), _disk(self._folder)]


def _stored(database: Database) -> Iterator[Finding]:
    state = migrations.state(database)
    if state is not migrations.State.CURRENT:
        yield Finding("tables", migrations.wrong(state), False)
        return
    yield Finding("database", f"database: reached, at this version ({migrations.newest()})", True)
    yield Finding("tables", "", True)
    with database.reading() as session:
        yield _model(session)
        yield _outbox(session)


def _model(session: Session) -> Finding:
    try:
        return Finding("model", versions.check(session), True)
    except ConflictError as error:
        return Finding("model", str(error), False)


def _outbox(session: Session) -> Finding:
    health = outbox.health(session, utc_now())
    said = f"outbox: {health.waiting} waiting, {health.failed} given up in the last week"
    if health.longest >= dt.timedelta(minutes=1):
        said += f"; the longest waits for {_told(health.longest)}"
    return Finding("outbox", said, health.longest <= TOO_LONG)


def _told(time: dt.timedelta) -> str:
    minutes = int(time.total_seconds() // 60)
    return f"{minutes} min" if minutes < 120 else f"{minutes // 60} h"


def wall(session: Session) -> Finding:
    """Tell whether PostgreSQL holds the role that the service comes in as to the wall between dealers; nothing of SQLite."""
    if session.get_bind().dialect.name != "postgresql":
        return Finding("wall", "", True)
    passes = text("SELECT rolsuper OR rolbypassrls FROM pg_roles WHERE rolname = current_user")
    if session.scalar(passes):
        what = "wall: the role in DATABASE_URL passes the wall between dealers by; come in as one that is no superuser, has no "
        return Finding("wall", f"{what}BYPASSRLS, and owns the tables: see the page install", False)
    return Finding("wall", "wall: PostgreSQL too shows a dealer's staff and systems that dealer's rows alone", True)


def proxies(public_address: str | None, named: str | None) -> Finding:
    """Tell whose word is taken on where a visitor comes from, for rate limits: a proxy that is not named is itself taken for the visitor."""
    if named is None:
        by_https = (public_address or "").startswith("https:")
        what = "FORWARDED_ALLOW_IPS names no proxy; set it to the address from which the one that ends https asks this service"
        return Finding("proxies", what if by_https else "", not by_https)
    if named == "*" or any(ipaddress.ip_network(each.strip()).prefixlen < NARROWEST for each in named.split(",")):
        what = "FORWARDED_ALLOW_IPS believes everybody, so that each request may come with an address and a limit of its own"
        return Finding("proxies", f"{what}; name the proxies' addresses", False)
    return Finding("proxies", f"proxies: {named} are believed where a visitor comes from", True)


def _disk(folder: Path) -> Finding:
    existing = next(path for path in (folder, *folder.parents) if path.exists())
    free = shutil.disk_usage(existing).free
    return Finding("disk", f"disk: {free // 1024**2} MB free at {existing}", free > LEAST_FREE)
