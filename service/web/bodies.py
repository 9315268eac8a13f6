"""Bodies of requests, read whole before any session is opened, and no more of them than a form or program of ours sends."""

import re
from collections.abc import Mapping
from typing import Annotated

from fastapi import Depends, Request
from starlette.exceptions import HTTPException

from service.core.errors import InvalidInputError
from service.core.language import _

SUBSTITUTE = "\x1a"
"""ASCII's own character for one that cannot be represented (ECMA-48, 8.3.148)."""
_UNKEEPABLE = re.compile("[\0\ud800-\udfff]")
MOST_FIELDS = 200
"""Fields of such a form; the longest step has sixty."""
LARGEST_FORM = 32 * 1024
"""Bytes of a form that anybody may send; a step of the questionnaire has a few hundred."""
MOST_CHARACTERS = 6_000
"""Characters in all fields of such a form: a page that shows them again, each as an entity of five, stays small."""


def typed(text: str) -> str:
    """Return a form's text with SUBSTITUTE for NUL and lone surrogates, which no database keeps; as a control character a field refuses it."""
    return _UNKEEPABLE.sub(SUBSTITUTE, text)


async def form_fields(
    request: Request,
    most_fields: int = MOST_FIELDS,
    *,
    largest: int = LARGEST_FORM,
    most_characters: int = MOST_CHARACTERS,
) -> dict[str, list[str]]:
    """Return a posted form's fields; `HTTPException`: 413, above ``largest`` bytes; 400, unreadable; `InvalidInputError`: too much in them."""
    content = await request.body()
    if len(content) > largest:
        raise HTTPException(413)
    # Before they are taken apart, which costs a hundred times as much.
    if content.count(b"&") >= most_fields:
        raise InvalidInputError([("", _("Expected at most {most} fields.").format(most=most_fields))])
    form = await request.form(max_files=0, max_fields=most_fields)
    fields: dict[str, list[str]] = {}
    for name, value in form.multi_items():
        if isinstance(value, str):
            fields.setdefault(typed(name), []).append(typed(value))
    characters = sum(len(name) + sum(map(len, values)) for name, values in fields.items())
    if characters > most_characters:
        sentence = _("Got {count} characters; expected at most {most} in all fields together.")
        raise InvalidInputError([("", sentence.format(count=characters, most=most_characters))])
    return fields


async def json_body(request: Request) -> bytes:
    """Return a JSON body; raises 415 for another kind, 413 for a large one, 408 for one that does not come."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/json":
        raise HTTPException(415)
    return await request.body()


Posted = Mapping[str, list[str]]


async def posted(request: Request) -> Posted:
    """Read a form that anybody may send; a dependency named before the session, so that nobody waits for its lock meanwhile."""
    return await form_fields(request)


def first(form: Posted, name: str) -> str:
    """Return the first value of a field, empty where there is none."""
    return next(iter(form.get(name, ())), "")


Form = Annotated[Posted, Depends(posted)]
"""The fields of a form that anybody may send."""
