"""The people at the desk: an adviser, the workshop and an owner, another dealer's adviser, and somebody who is nobody."""

import asyncio
import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
from fastapi import FastAPI
from fastapi.routing import iter_route_contexts

from service import tables
from service.accounts import users
from service.core import tokens
from service.web import staff_sessions
from tests.service.client import BROWSER, Client, add_small_range, serving, settings_in
from tests.service.page import Page

DEALER, OTHER = "harbour", "hill"
PASSWORD = "rosin kettle amber loom"
PEOPLE: Mapping[str, tuple[str, str | None]] = {
    "adviser": ("adviser", DEALER),
    "workshop": ("workshop", None),
    "owner": ("owner", None),
    "stranger": ("adviser", OTHER),
    "strange owner": ("owner", OTHER),
}
"""Role and dealer of each; the strangers are another dealer's."""


@dataclass
class Member:
    """Somebody with a browser that keeps cookies; ``secret``: the session's, None for one who is not signed in."""

    app: FastAPI
    secret: str | None = None
    cookies: dict[str, str] = field(default_factory=dict)
    base: str = "http://bows.example"

    def __post_init__(self) -> None:
        if self.secret is not None:
            self.cookies[self.cookie] = self.secret

    @property
    def cookie(self) -> str:
        return "__Host-desk" if self.base.startswith("https:") else "desk"

    @property
    def csrf(self) -> str:
        """The token that the forms of this session carry."""
        token: str = self.app.state.tokens.make(f"desk:{tokens.digest(self.secret or '')}")
        return token

    def send(self, method: str, path: str, *, follow: bool = False, **request: Any) -> httpx.Response:
        """Send one request and keep what cookies come back."""
        return asyncio.run(self._send(method, path, follow, request))

    async def _send(self, method: str, path: str, follow: bool, request: Mapping[str, Any]) -> httpx.Response:
        transport = httpx.ASGITransport(self.app, client=("127.0.0.1", 50_000))
        kept = httpx.Cookies()
        for name, value in self.cookies.items():
            kept.set(name, value, domain="bows.example")
        async with httpx.AsyncClient(
            transport=transport, base_url=self.base, headers=BROWSER, cookies=kept, follow_redirects=follow
        ) as client:
            reply = await client.request(method, path, **request)
            self.cookies = {cookie.name: cookie.value or "" for cookie in client.cookies.jar}
            return reply

    def get(self, path: str) -> httpx.Response:
        return self.send("GET", path)

    def read(self, path: str) -> Page:
        """Return a page, which must keep the rules of every page."""
        return self._page(self.send("GET", path, follow=True))

    def post(self, path: str, fields: Mapping[str, str] | None = None) -> httpx.Response:
        """Send a form of this session."""
        return self.send("POST", path, data={"csrf": self.csrf, **(fields or {})})

    def submit(self, path: str, fields: Mapping[str, str] | None = None) -> Page:
        """Send a form of this session and return the page that it leads to, which must keep the rules too."""
        return self._page(self.send("POST", path, data={"csrf": self.csrf, **(fields or {})}, follow=True))

    def _page(self, reply: httpx.Response) -> Page:
        page = Page(reply)
        assert page.faults == []
        return page


class Desk:
    """The whole application with its cast; everybody is signed in, but nobody has a password unless a test asks for it."""

    def __init__(self, client: Client) -> None:
        self.client, self.app, self.database = client, client.app, client.database
        self.ids: dict[str, int] = {}
        with self.database.writing() as session:
            session.add(tables.Dealer(slug=OTHER, name="Hill Strings (invented)", currency="EUR"))
            session.flush()
            for name, (role, dealer) in PEOPLE.items():
                account = users.add(session, f"{name.replace(' ', '-')}@bows.example", role, dealer).account
                self.ids[name] = account.id

    def sign_in(self, name: str, *, acts_for: str | None = DEALER) -> Member:
        """Return somebody of the cast, signed in without the form; an owner acts for ``acts_for``."""
        with self.database.writing() as session:
            secret = staff_sessions.begin(session, self.ids[name])
            if name == "owner":
                staff_sessions.act_for(session, tokens.digest(secret), acts_for)
        return Member(self.app, secret)

    def nobody(self) -> Member:
        """Return somebody who is not signed in."""
        return Member(self.app)

    def give_password(self, name: str, digest: str) -> None:
        """Set the password of one of the cast to that of a digest."""
        with self.database.writing() as session:
            users.change_password(session, self.ids[name], digest, keep="")


@contextmanager
def opened(folder: Path, migrated: Path, **settings: Any) -> Iterator[Desk]:
    """Give the desk on a small invented range; ``migrated``: an empty database with this version's tables, to copy."""
    shutil.copyfile(migrated, folder / "bows.db")
    with serving(settings_in(folder, **settings)) as client:
        add_small_range(client.database)
        client.app.state.launch_fit = lambda _database, _token: None  # no test leaves a process behind
        yield Desk(client)


def sign_in_form(member: Member, email: str, password: str, onwards: str = "") -> httpx.Response:
    """Ask for the sign-in's form, fill it in and send it."""
    page = Page(member.get(f"/desk/sign-in?next={onwards}"))
    return member.send("POST", "/desk/sign-in", data=hidden(page) | {"email": email, "password": password})


def hidden(page: Page) -> dict[str, str]:
    """Return the hidden fields of a page's first form that is sent; the search of the desk asks only."""
    sent = next(form for form in page.all("form") if form.get("method") == "post")
    return {e.get("name"): e.get("value") for e in sent.walk() if e.get("type") == "hidden"}


def desk_routes(app: FastAPI) -> list[tuple[str, str]]:
    """Return method and path of every route under /desk."""
    found = [
        (method, route.path)
        for route in iter_route_contexts(app.routes)
        if route.path is not None and (route.path == "/desk" or route.path.startswith("/desk/"))
        for method in sorted(route.methods or ())
    ]
    assert len(found) > 20
    return found
