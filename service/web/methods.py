"""Which methods an address takes, for the answer to one that it does not (RFC 9110, 15.5.6: all of them, in ``Allow``)."""

from starlette.requests import Request
from starlette.routing import Match, Mount

_ASKED_FOR = ("GET", "POST", "PUT", "PATCH", "DELETE")


def allowed(request: Request) -> str:
    """Return the methods of the routes at a request's address: 'GET, HEAD, POST'."""
    # What is mounted (static files) has taken its own part off the path; the whole address is asked about.
    asked = {**request.scope, "root_path": request.scope.get("app_root_path", "")}
    routes = request.app.routes
    if any(isinstance(route, Mount) and route.matches(asked)[0] is Match.FULL for route in routes):
        return "GET, HEAD"
    taken = [
        method
        for method in _ASKED_FOR
        if any(route.matches({**asked, "method": method})[0] is Match.FULL for route in routes)
    ]
    return ", ".join(name for method in taken for name in ((method, "HEAD") if method == "GET" else (method,)))
