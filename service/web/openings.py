"""What each route of the desk needs, so that no page shows a link or a form that whoever reads it would be refused.

It is read off the routes themselves: neither a page nor a template says a second time which permission something takes.
"""

import re
from collections.abc import Callable, Iterator
from typing import Any
from urllib.parse import urlsplit

from fastapi import FastAPI
from fastapi.dependencies.models import Dependant
from fastapi.routing import iter_route_contexts

from service.web.permissions import Needs, Staff
from service.web.roles import Permission

Opens = Callable[[str, str], bool]
_PLACE = re.compile(r"\\{\w+\\}")


class Openings:
    """The permissions by method and path of one application's routes."""

    def __init__(self, app: FastAPI) -> None:
        self._routes: dict[tuple[str, int], list[tuple[re.Pattern[str], frozenset[Permission]]]] = {}
        for route in sorted(iter_route_contexts(app.routes), key=lambda each: (each.path or "").count("{")):
            dependant: Any = getattr(route, "dependant", None)
            if dependant is None or not (route.path or "").startswith("/desk"):
                continue
            path = route.path or ""
            pattern = re.compile(_PLACE.sub("[^/]+", re.escape(path)))
            needs = frozenset(each.permission for each in _asked(dependant) if isinstance(each, Needs))
            for method in route.methods or ():
                self._routes.setdefault((method, path.count("/")), []).append((pattern, needs))

    def needed(self, method: str, address: str) -> frozenset[Permission]:
        """Return what whoever follows a link or sends a form must have; of two routes that without places answers."""
        path = urlsplit(address).path
        found = self._routes.get((method, path.count("/")), ())
        return next((needs for pattern, needs in found if pattern.fullmatch(path)), frozenset())

    def of(self, staff: Staff) -> Opens:
        """Return what says whether an address is open to one of the staff, for a method."""

        def opens(address: str, method: str = "GET") -> bool:
            return all(map(staff.may, self.needed(method, address)))

        return opens


def of(app: FastAPI) -> Openings:
    """Return an application's, made once."""
    found: Openings | None = getattr(app.state, "openings", None)
    if found is None:
        found = app.state.openings = Openings(app)
    return found


def _asked(dependant: Dependant) -> Iterator[Any]:
    for each in dependant.dependencies:
        yield from _asked(each)
        yield each.call
