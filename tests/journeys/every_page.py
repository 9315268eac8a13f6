"""Every page that a person meets: where it is, and how one gets there. A route that is not here fails the test of the registry."""

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import Self

from fastapi import FastAPI
from fastapi.routing import iter_route_contexts
from playwright.sync_api import Browser, BrowserContext, Page
from starlette.routing import compile_path

from service.web.locale import COOKIE
from tests.journeys import accessibility
from tests.journeys.one_of_each import World

SECONDS = 30
LANGUAGES = ("de", "fr", "it", "en")
LONGEST = ("de", "fr")
"""The languages with the longest words and sentences: what is measured in them holds in the others."""
READER, OWNER, WORKSHOP, CAREFUL, NOBODY = "reader", "owner", "workshop", "careful", "nobody"

PAGES: Mapping[str, tuple[str, ...]] = {
    "/": ("/", "/?dealer={dealer}"),
    "/advice/{address}": ("/advice/{answer_page}", "/advice/{plain_page}", "/advice/nobodys"),
    "/advice/{address}/why": ("/advice/{answer_page}/why",),
    "/advice/{address}/print": ("/advice/{answer_page}/print", "/advice/{plain_page}/print"),
    "/problems/{code}": ("/problems/bows_taken",),
    "/privacy": ("/privacy", "/privacy?dealer={dealer}&sent=yes"),
    "/data/{token}": ("/data/{data}", "/data/{data}?done=erasure", "/data/{answer_data}", "/data/{over_data}"),
    "/erase/{token}": ("/erase/{erase}", "/erase/{early_erase}", "/erase/{late_erase}"),
    "/mail/unsubscribe/{token}": ("/mail/unsubscribe/{unsubscribe}",),
    "/mail/confirm/{token}": ("/mail/confirm/{confirm}",),
    "/mail/still-right/{token}/{answer}": (
        "/mail/still-right/{still_right}/yes",
        "/mail/still-right/{still_right}/no",
        "/mail/still-right/{still_right}/perhaps",
    ),
    "/result/{token}": ("/result/{result}", "/result/{over_result}"),
    "/embed/{dealer}": ("/embed/{dealer}?from=https://strangers.example", "/embed/nobody"),
    "/embed/{dealer}/{rest:path}": (
        "/embed/{dealer}/mistyped/",
        "/embed/{dealer}/preview/{language}-both/",
        "/embed/{dealer}/preview/{language}-light/advice/{answer_page}",
        "/embed/{dealer}/preview/{language}-light/advice/{answer_page}/why",
        "/embed/{dealer}/preview/{language}-both/privacy",
    ),
    "/desk/sign-in": ("/desk/sign-in",),
    "/desk/forgotten": ("/desk/forgotten", "/desk/forgotten?sent=yes"),
    "/desk/password/{secret}": ("/desk/password/{secret}", "/desk/password/nobodys"),
    "/desk": ("/desk",),
    "/desk/find": ("/desk/find", "/desk/find?q=a", "/desk/find?q=an", "/desk/find?q=nobody+there"),
    "/desk/enquiries": ("/desk/enquiries?show=all",),
    "/desk/enquiries/{id_}": ("/desk/enquiries/{answer}",),
    "/desk/enquiries/{id_}/erase": ("/desk/enquiries/{answer}/erase", "/desk/enquiries/{leaving}/erase"),
    "/desk/enquiries/{id_}/player": (
        "/desk/enquiries/{answer}/player",
        "/desk/enquiries/{leaving}/player?player={player}",
    ),
    "/desk/compose": (
        "/desk/compose",
        "/desk/compose?instrument=cello&tried_1_copy=none&tried_1_overall=5",
        "/desk/compose?enquiry={answer}",
        "/desk/compose?instrument=double_bass+french&budget=4000",
    ),
    "/desk/trials": ("/desk/trials", "/desk/trials?state=closed"),
    "/desk/trials/{key}": tuple(
        f"/desk/trials/{{{state}}}"
        for state in ("planned", "open", "part", "played", "revealed", "kept", "cancelled", "post")
    ),
    "/desk/trials/{key}/close": ("/desk/trials/{part}/close",),
    "/desk/trials/{key}/outcome": ("/desk/trials/{part}/outcome?what=none+price",),
    "/desk/trials/{key}/reopen": ("/desk/trials/{kept}/reopen",),
    "/desk/trials/{key}/paper": ("/desk/trials/{part}/paper", "/desk/trials/{cancelled}/paper?rater=listener"),
    "/desk/trials/{key}/correct": ("/desk/trials/{kept}/correct",),
    "/desk/trials/{key}/reveal": ("/desk/trials/{part}/reveal",),
    "/desk/trials/{key}/print/{name}": (
        *(f"/desk/trials/{{post}}/print/{name}" for name in ("sheet", "letters", "key", "parcel", "loan", "all")),
        "/desk/trials/{open}/print/parcel",
        "/desk/trials/{revealed}/print/result",
    ),
    "/desk/help": ("/desk/help",),
    "/desk/help/{topic}": ("/desk/help/operator", "/desk/help/files"),
    "/desk/stock": ("/desk/stock?instrument=cello", "/desk/stock?show=sold"),
    "/desk/stock/{serial}/correct": ("/desk/stock/{serial}/correct",),
    "/desk/bows/new": ("/desk/bows/new",),
    "/desk/bows/files": ("/desk/bows/files",),
    "/desk/bows/labels": ("/desk/bows/labels?copy={serial}", "/desk/bows/labels?tier=hedge-gate&per=40"),
    "/desk/trials/{key}/case": ("/desk/trials/{planned}/case", "/desk/trials/{post}/case?way=back"),
    "/desk/bows/prices/{tier}": ("/desk/bows/prices/hedge-gate",),
    "/desk/stock/{serial}/sold": ("/desk/stock/{out}/sold",),
    "/desk/stock/{serial}": ("/desk/stock/{serial}",),
    "/desk/stock/{serial}/bench": ("/desk/stock/{serial}/bench",),
    "/desk/range": ("/desk/range",),
    "/desk/range/{tier}": ("/desk/range/hedge-gate",),
    "/desk/tiers/{tier}/picture": ("/desk/tiers/hedge-gate/picture?enquiry={answer}", "/desk/tiers/hedge-gate/picture"),
    "/desk/players": ("/desk/players", "/desk/players?search=nobody"),
    "/desk/players/{key}": ("/desk/players/{player}",),
    "/desk/players/{key}/erase": ("/desk/players/{player}/erase",),
    "/desk/players/{key}/join": ("/desk/players/{player}/join", "/desk/players/{player}/join?other={other}"),
    "/desk/players/{key}/part": ("/desk/players/{joined}/part",),
    "/desk/overview": ("/desk/overview", "/desk/overview?span=all"),
    "/desk/tablets": ("/desk/tablets",),
    "/desk/tablets/load": ("/desk/tablets/load",),
    "/desk/account": ("/desk/account",),
    "/desk/account/factor": ("/desk/account/factor",),
    "/desk/users": ("/desk/users",),
    "/desk/audit": ("/desk/audit",),
    "/desk/retention": ("/desk/retention",),
    "/desk/dealers": ("/desk/dealers",),
    "/desk/model": ("/desk/model",),
    "/desk/model/fit": ("/desk/model/fit",),
    "/desk/mail": ("/desk/mail?state=sent", "/desk/mail?state=failed", "/desk/mail?state=waiting"),
    "/desk/mail/{ident}": ("/desk/mail/{mail}",),
    "/desk/website": ("/desk/website",),
    "/desk/calendar": ("/desk/calendar",),
}
"""By route: addresses, in whose places stands what `tests.journeys.one_of_each` put there. The rest is walked to by `WALKS`."""
REFUSALS = frozenset(
    {
        "/advice/nobodys",
        "/data/{over_data}",
        "/erase/{early_erase}",
        "/erase/{late_erase}",
        "/mail/still-right/{still_right}/perhaps",
        "/result/{over_result}",
        "/embed/{dealer}?from=https://strangers.example",
        "/embed/nobody",
        "/embed/{dealer}/mistyped/",
        "/desk/password/nobodys",
        "/desk/compose?instrument=cello&tried_1_copy=none&tried_1_overall=5",
        "/desk/trials/{open}/print/parcel",
    }
)
"""Addresses above whose page says why there is nothing else."""
NO_PAGES: Mapping[str, str] = {
    "/openapi.json": "/openapi.json",
    "/healthz": "/healthz",
    "/health/live": "/health/live",
    "/health/ready": "/health/ready",
    "/metrics": "/metrics",
    "/desk/overview/figures.csv": "/desk/overview/figures.csv",
    "/desk/stock/{serial}/bench/file": "/desk/stock/{serial}/bench/file",
    "/robots.txt": "/robots.txt",
    "/calendar/{token}.ics": "/calendar/nobodys.ics",
    "/.well-known/security.txt": "/.well-known/security.txt",
    "/.well-known/change-password": "/.well-known/change-password",
    "/tablet-worker.js": "/tablet-worker.js",
    "/tablet/trials": "/tablet/trials",
    "/tablet/trials/{trial}": "/tablet/trials/{part}",
    "/tablet/trials/{trial}/result": "/tablet/trials/{revealed}/result",
    "/api/v1/enquiries": "/api/v1/enquiries",
    "/api/v1/enquiries/{enquiry}": "/api/v1/enquiries/{answer}",
    "/api/v1/trials": "/api/v1/trials",
    "/api/v1/trials/{trial}": "/api/v1/trials/{part}",
    "/api/v1/range": "/api/v1/range",
    "/api/v1/stock": "/api/v1/stock",
    "/api/v1/trials/{trial}/standing": "/api/v1/trials/{part}/standing",
    "/data/{token}/download": "/data/{data}/download",
    "/desk/players/{key}/data": "/desk/players/{player}/data",
    "/desk/enquiries/{id_}/data": "/desk/enquiries/{answer}/data",
    "/embed-look/{dealer}.css": "/embed-look/{dealer}.css",
    "/embed-logo/{dealer}": "/embed-logo/{dealer}",
    "/form/{address}": "/form/{draft}",
    "/desk/sign-in/left": "/desk/sign-in/left",
    "/desk/sign-in/stay": "/desk/sign-in/stay",
}
"""By route: an address that is answered by something else than a page; a test asks each."""
OPEN = ("/desk/sign-in", "/desk/forgotten", "/desk/password/{secret}")
"""Pages of the desk for whoever is not signed in yet."""


@dataclass
class Visit:
    """Somebody who goes through pages in one language and has each looked at.

    Attributes
    ----------
    look : called with a page and its name wherever there is something to be looked at.
    seen : the routes of the pages looked at.
    elsewhere : what a page asked of anybody but the service; nothing may be.
    """

    world: World
    browser: Browser
    language: str
    look: Callable[[Page, str], None]
    seen: set[str] = field(default_factory=set)
    contexts: dict[str, BrowserContext] = field(default_factory=dict)
    elsewhere: list[str] = field(default_factory=list)

    def page(self, who: str = READER, **options: object) -> Page:
        """Return the page of somebody who reads this visit's language, as it was left."""
        if who not in self.contexts:
            context = self.browser.new_context(base_url=self.world.address, **options)  # type: ignore[arg-type] # handed through
            context.set_default_timeout(SECONDS * 1000)
            cookies = {COOKIE: self.language} | ({"desk": self.world.secrets[who]} if who in self.world.secrets else {})
            for name, value in cookies.items():
                context.add_cookies([{"name": name, "value": value, "url": self.world.address}])
            context.on("request", lambda request: self._note(request.url))
            context.set_extra_http_headers({"Accept-Language": self.language})
            self.contexts[who] = context
        # A page that has shown others before is much faster than a new one: its scripts are compiled.
        page = next(iter(self.contexts[who].pages), None) or self.contexts[who].new_page()
        page.set_viewport_size({"width": accessibility.DESK, "height": 800})
        return page

    def at(self, page: Page, name: str) -> None:
        """Have a page looked at, which must be in this visit's language."""
        spoken = page.evaluate("() => document.documentElement.lang")
        assert spoken == self.language, f"{page.url} is in {spoken!r}, expected {self.language!r}"
        path = page.url.removeprefix(self.world.address).partition("?")[0].partition("#")[0]
        # A form that is shown again may stand at an address of its own, which cannot be asked for.
        asked = (route for route in page_routes(self.world.app) if _pattern(route).fullmatch(path))
        self.seen.add(next(asked, path))
        self.look(page, name)

    def _note(self, address: str) -> None:
        if not address.startswith((self.world.address, "data:", "about:")):
            self.elsewhere.append(address)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_error: object) -> None:
        for context in self.contexts.values():
            context.close()


@cache
def _pattern(route: str) -> re.Pattern[str]:
    return compile_path(route)[0]


def page_routes(app: FastAPI) -> list[str]:
    """Return the path of every route that a browser can ask for by an address, in the order in which they are tried."""
    found = [route.path for route in iter_route_contexts(app.routes) if route.path and "GET" in (route.methods or ())]
    assert len(found) > 40
    return found


def addresses(world: World, route: str, language: str) -> Iterator[tuple[str, str]]:
    """Give the addresses of a route, each with its name."""
    for template in PAGES[route]:
        yield template, template.format_map(world.places | {"language": language})


def visited(visit: Visit, route: str) -> None:
    """Look at every page of a route."""
    page = visit.page(OWNER if route.startswith("/desk") and route not in OPEN else READER)
    for name, address in addresses(visit.world, route, visit.language):
        reply = page.goto(address)
        assert reply is not None
        expected = range(400, 500) if name in REFUSALS else [200]
        assert reply.status in expected, f"{address}: got {reply.status}, expected one of {list(expected)[:1]}"
        if route == "/desk/website":
            page.frame_locator("iframe").locator(".go").wait_for()
        visit.at(page, name)


def gone(visit: Visit, name: str, walks: Mapping[str, tuple[Callable[[Visit], None], object]]) -> set[str]:
    """Look at the pages of a route, or of a walk by its name, and return the routes seen."""
    visit.seen.clear()
    if name in walks:
        walks[name][0](visit)
    else:
        visited(visit, name)
    assert visit.elsewhere == [], f"{name}: got requests to {visit.elsewhere}, expected none to others"
    return set(visit.seen)
