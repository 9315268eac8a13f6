"""What each address that anybody may ask costs, in about milliseconds of the service's time, and the limit of it a minute.

The limit of the count (`ADVICE_PER_MINUTE`) holds off who asks too often for the dear things; this one (`COST_PER_MINUTE`) who
asks for anything too often. Staff who are signed in, tablets and dealers' servers are not counted here: theirs is to work all
day from one address. Whoever claims to be one of them and is not, pays.
"""

from collections.abc import Mapping

from fastapi import Request
from starlette.types import ASGIApp, Receive, Scope, Send

from service.web.device_requests import client_of, not_too_often

ADVICE, PAGE, SMALL = 60, 10, 2
"""An advice is worked out and stored; a page is read and written out; the rest is next to nothing."""
COSTS: dict[str, int] = {}
"""Of each method and path that needs no sign-in and no key; HEAD costs what GET does. An advice itself is charged for where it is asked."""


def declare(costs: Mapping[str, int]) -> None:
    """Say what addresses cost, each by its method and path; called beside the routes, once for each."""
    double = COSTS.keys() & costs.keys()
    if double:
        raise ValueError(f"{', '.join(sorted(double))}: expected one cost each")
    COSTS.update(costs)


async def pay(request: Request) -> None:
    """Charge for an address that anybody may ask, before anything of it is done; raises 429 where the budget is spent."""
    method = "GET" if request.method == "HEAD" else request.method
    cost = COSTS.get(f"{method} {request.scope['route'].path}")
    if cost is not None:
        charge(request, cost)


def charge(request: Request, cost: int) -> None:
    """Charge the client for something; raises 429 where its budget is spent."""
    not_too_often(client_of(request), request.app.state.cost_limit, cost)


class Paid:
    """Files and whatever else is no route of its own, at a cost each."""

    def __init__(self, app: ASGIApp, cost: int = SMALL) -> None:
        self.app, self.cost = app, cost

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Charge, then pass the request on."""
        if scope["type"] == "http":
            charge(Request(scope), self.cost)
        await self.app(scope, receive, send)
