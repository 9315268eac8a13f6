"""Statements built once: to build one costs several times what running it does, so it is kept with places for its values."""

from collections.abc import Callable
from functools import cache, wraps
from inspect import signature
from typing import Any, ParamSpec, TypeVar

from sqlalchemy import bindparam

P = ParamSpec("P")
S = TypeVar("S")


def prepared(build: Callable[P, S]) -> Callable[P, tuple[S, dict[str, Any]]]:
    """Return what gives the statement of ``build`` and the values for it, as ``session.execute(*asked(…))`` takes them.

    ``build`` is called once, with a parameter of the statement for each of its own: it may compare it with a column, or look for
    a column ``in_`` a list of them, and nothing else. A value of None is equal to nothing, as SQL has it.
    """
    names = tuple(signature(build).parameters)
    once: Callable[[], S] = cache(lambda: build(*map(bindparam, names)))  # type: ignore[arg-type, call-arg]  # placeholders

    @wraps(build)
    def asked(*values: P.args, **named: P.kwargs) -> tuple[S, dict[str, Any]]:
        return once(), dict(zip(names, values, strict=False)) | named

    return asked
