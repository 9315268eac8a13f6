"""What a list shows as a file for a spreadsheet, sent page by page, so that a long one takes no more memory than a short one."""

import csv
import io
from collections.abc import AsyncIterator, Callable, Iterable, Sequence
from typing import TypeVar

from fastapi import Request
from fastapi.responses import StreamingResponse
from sqlalchemy.orm import Session
from starlette.types import Receive, Scope, Send

from service.core import audit, audit_events, workers
from service.core.errors import ForbiddenError
from service.core.paging import Leaf
from service.core.spreadsheet_cells import with_guard
from service.web.database_sessions import database_of, workers_of, writing
from service.web.permissions import AtDealer, Staff
from service.web.roles import Permission

T = TypeVar("T")


class _Streamed(StreamingResponse):
    """Sent from the event loop from its beginning on, where the framework looks whether the reader is still there."""

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        await workers.on_loop()
        await super().__call__(scope, receive, send)


_MARK = "\ufeff"
"""Before the first line: by it a spreadsheet knows that this is UTF-8."""


def saved(
    request: Request,
    staff: AtDealer | Staff,
    name: str,
    head: Sequence[str],
    read: Callable[[Session, str], Leaf[T]],
    row: Callable[[T], Sequence[str]],
    *,
    names: Permission | None = Permission.PLAYERS_EXPORT,
) -> StreamingResponse:
    """Return a whole list as a file; where it names anybody, for whoever may hand that out, and that it was is put on record.

    ``staff``: for whose dealer. ``names``: what it takes to hand out those it names; None: it names nobody. ``read``: a page of
    the list after a mark, as the list's page reads it. ``row``: the cells of one line, in the order of ``head``.
    """
    if names and not staff.may(names):
        raise ForbiddenError

    async def parts() -> AsyncIterator[str]:
        by, database = workers_of(request), database_of(request)

        def page(after: str) -> tuple[str, str]:
            with database.reading() as session:
                found = read(session, after)
                return found.after, _lines(map(row, found.rows))

        if names:
            await by.drive(_given(request, staff, name))
        yield _MARK + _lines([head])
        after, is_first = "", True
        while after or is_first:
            after, lines = await by.call(page, after)
            is_first = False
            yield lines

    kept = {"Content-Disposition": f'attachment; filename="{name}.csv"', "Cache-Control": "no-store"}
    return _Streamed(parts(), media_type="text/csv; charset=utf-8", headers=kept)


async def _given(request: Request, staff: Staff, name: str) -> None:
    async with writing(request) as session:
        audit.record_often(session, staff.user, audit_events.LIST_GIVEN, f"list {name}", dealer=staff.dealer)


def _lines(rows: Iterable[Sequence[str]]) -> str:
    written = io.StringIO()
    csv.writer(written).writerows([with_guard(cell) for cell in row] for row in rows)  # RFC 4180: lines end in CRLF
    return written.getvalue()
