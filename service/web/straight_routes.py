"""The way from a method and a path to its route by one look at a table.

The framework's router asks route after route, and a router within a router twice: it went through all that stand before.
"""

from collections.abc import Callable, Sequence
from typing import Any

from fastapi.routing import APIRouter, iter_route_contexts
from starlette.routing import BaseRoute
from starlette.types import Receive, Scope, Send

Table = dict[tuple[str, int, str, str], list[Any]]
_PLACE = "{}"


def table(routes: Sequence[BaseRoute]) -> Table:
    """Return routes in their order by method, number of parts and the first two parts of their path, `_PLACE` for any text.

    Nothing stands under a first part of which some route has a place, or no certain number of parts.
    """
    found: list[tuple[list[str], Any]] = []
    loose = {_PLACE}
    for context in iter_route_contexts(routes):
        parts = _parts(context.path or "/")
        if context.methods and ":path}" not in (context.path or ""):
            found.append((parts, context))
        else:
            loose.add(parts[0])
    heads = {(len(parts), parts[0], parts[1]) for parts, _context in found if parts[0] not in loose}
    by: Table = {}
    for parts, context in found:
        for count, first, second in heads:
            if (count, first) == (len(parts), parts[0]) and parts[1] in (_PLACE, second):
                for method in context.methods:
                    by.setdefault((method, count, first, second), []).append(context)
    return by


def _parts(path: str) -> list[str]:
    """Return the parts of a path, at least two."""
    parts = [_PLACE if "{" in part else part for part in path.split("/")[1:]]
    return [*parts, ""] if len(parts) == 1 else parts


class Straight:
    """Stands before a router's own search, which answers whatever is not in the table; ``by`` gives that."""

    def __init__(self, router: APIRouter, by: Callable[[], Table]) -> None:
        self.router, self.by = router, by
        self.search = router.middleware_stack

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on to its route, told in the scope as the router tells it."""
        found = self._found(scope) if scope["type"] == "http" and not scope.get("root_path") else None
        if found is None:
            await self.search(scope, receive, send)
            return
        context, texts = found
        values = {name: context.param_convertors[name].convert(text) for name, text in texts.items()}
        scope.update(
            router=self.router,
            route=context.original_route,
            endpoint=context.endpoint,
            path_params={**scope.get("path_params", {}), **values},
        )
        await context.app(scope, receive, send)

    def _found(self, scope: Scope) -> tuple[Any, dict[str, str]] | None:
        """Return the first route that a request fits, and what stands in its places."""
        path, by = scope["path"], self.by()
        parts = _split(path)
        of = scope["method"], max(path.count("/"), 2), parts[1]
        for context in by.get((*of, parts[2])) or by.get((*of, _PLACE)) or ():
            match = context.path_regex.match(path)
            if match:
                return context, match.groupdict()
        return None


def _split(path: str) -> list[str]:
    parts = path.split("/", 3)
    return [*parts, "", ""] if len(parts) < 3 else parts
