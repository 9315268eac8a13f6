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
COSTS: Mapping[str, int] = {
    "GET /": PAGE,
    "POST /form": PAGE,
    "GET /form/{address}": SMALL,
    "GET /form/{address}/{name}": PAGE,
    # The last step works out the advice, and has the limit of the count as well.
    "POST /form/{address}/{name}": 2 * PAGE,
    "GET /advice/{address}": 2 * PAGE,
    # Worked out once for each state of the range, which takes as long as some advices.
    "GET /advice/{address}/why": ADVICE,
    "POST /advice/{address}/again": PAGE,
    # What a load balancer asks for every few seconds, for itself.
    "GET /health/live": SMALL,
    "GET /health/ready": SMALL,
    "GET /healthz": SMALL,
    "GET /openapi.json": PAGE,
    "GET /tablet": PAGE,
    "GET /tablet/enrol": PAGE,
    "POST /tablet/enrol": SMALL,
    "GET /tablet-worker.js": SMALL,
    "GET /play/{token}": PAGE,
    "GET /play/{token}/{position}": PAGE,
    "POST /play/{token}/{position}": PAGE,
    "GET /desk/sign-in": PAGE,
    # A digest of the password: 19 MiB and some thirty milliseconds.
    "POST /desk/sign-in": ADVICE,
    "GET /desk/sign-in/left": SMALL,
    "GET /desk/sign-in/code": PAGE,
    "POST /desk/sign-in/code": PAGE,
    "GET /desk/forgotten": PAGE,
    "POST /desk/forgotten": PAGE,
    "GET /desk/password/{secret}": PAGE,
    "POST /desk/password/{secret}": ADVICE,
    "GET /mail/confirm/{token}": PAGE,
    "POST /mail/confirm/{token}": PAGE,
    "GET /mail/unsubscribe/{token}": PAGE,
    "POST /mail/unsubscribe/{token}": PAGE,
    "GET /mail/still-right/{token}/{answer}": PAGE,
    "POST /mail/still-right/{token}/{answer}": PAGE,
    "GET /privacy": PAGE,
    "POST /privacy": 2 * PAGE,
    "GET /data/{token}": 2 * PAGE,
    "GET /data/{token}/download": 2 * PAGE,
    "POST /data/{token}": 2 * PAGE,
    "POST /data/{token}/ask": 2 * PAGE,
    "POST /data/{token}/link": 2 * PAGE,
    "POST /data/{token}/ratings": PAGE,
    "GET /erase/{token}": 2 * PAGE,
    "POST /erase/{token}": 4 * PAGE,
    "GET /calendar/{token}.ics": 2 * PAGE,
    "GET /embed/{dealer}": SMALL,
    "GET /embed/{dealer}/{rest:path}": PAGE,
    "GET /embed-look/{dealer}.css": SMALL,
    "GET /embed-logo/{dealer}": SMALL,
    "GET /.well-known/change-password": SMALL,
    "GET /.well-known/security.txt": SMALL,
    "GET /robots.txt": SMALL,
    "GET /problems/{code}": SMALL,
}
"""Of each method and path that needs no sign-in and no key; HEAD costs what GET does. `asked` in `advice.advice_api` charges for advice."""


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
