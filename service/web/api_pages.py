"""Pages of the JSON API's lists: a mark goes in, the next page's address comes out, in the body and as a link."""

from collections.abc import Callable, Mapping
from typing import Annotated, Any

from fastapi import Query
from fastapi.responses import JSONResponse
from pydantic import Field

from service.core.errors import FieldCode, FieldProblem, InvalidInputError, NotFoundError
from service.core.language import _
from service.core.paging import Batch
from service.web import api_schema
from service.web.api_schema import Answer, Tested

BY_SERVER: dict[str, Any] = {"security": [{"server_key": []}, {"test_key": []}]}
"""What the description says of an operation for a dealer's server and its tests alone."""
_MARK = r"^[A-Za-z0-9_-]*$"
After = Annotated[
    str,
    Query(
        max_length=600,
        json_schema_extra={"pattern": _MARK},
        description="the `after` of the page before; left out for the first",
    ),
]


class Listed(Tested):
    """A page of a list, at most fifty of them in an order that stays, what is new at the end of what has an order in time."""

    after: str = Field(description="ask with this for what comes, or came since, after this page")
    next: str | None = Field(description="the address of the next page; null on the last")


_LINK = {"description": "to the next page (RFC 8288)", "schema": {"type": "string"}}


def one(model: type[Answer], said: str) -> dict[int | str, dict[str, Any]]:
    """Return the answers of an operation that reads one thing."""
    return {
        200: {"model": model, "description": said},
        **api_schema.errors(400, 401, 403, 404, 421, 422, 429, 500, 503),
    }


def listed(model: type[Answer]) -> dict[int | str, dict[str, Any]]:
    """Return the answers of an operation that reads a page of a list."""
    told: dict[int | str, dict[str, Any]] = {200: {"model": model, "description": "A page", "headers": {"Link": _LINK}}}
    return told | api_schema.errors(400, 401, 403, 421, 422, 429, 500, 503)


def page(path: str, name: str, read: Callable[[str], Batch[Any]], after: str, more: Mapping[str, Any]) -> JSONResponse:
    """Return a page of a list with the next one's address in body and link, and what ``more`` says; raises `InvalidInputError` for a mark of no list."""
    try:
        found = read(after)
    except NotFoundError:
        sentence = _("This is no mark of this list; take the one that the page before told, or leave it out.")
        raise InvalidInputError([FieldProblem("after", sentence, FieldCode.WRONG_FORM)]) from None
    following = f"{path}?after={found.last}" if found.more else None
    told = {name: list(found.rows), "after": found.last or after, "next": following, **more}
    return JSONResponse(told, headers={"Link": f'<{following}>; rel="next"'} if following else {})
