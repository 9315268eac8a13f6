"""A browser for tests that reads what it gets: parses the page, complains of what no page may have, fills in its form.

The rules are those of WCAG 2.2 (1.3.1, 2.4.2, 3.1.1, 3.3.2, 4.1.2) and HTML (unique ids), and of a Content-Security-Policy
without ``unsafe-inline``.
"""

import asyncio
import itertools
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from html.parser import HTMLParser
from urllib.parse import urlsplit

import httpx
from fastapi import FastAPI

from tests.service import actions

_VOID = {"area", "base", "br", "col", "hr", "img", "input", "link", "meta", "source", "track", "wbr"}
_BLOCKS = {
    "p",
    "li",
    "h1",
    "h2",
    "h3",
    "legend",
    "label",
    "td",
    "th",
    "dt",
    "dd",
    "div",
    "span",
    "b",
    "option",
    "title",
}
HELP = "/desk/help/"
_REFERENCES = ("aria-describedby", "aria-labelledby")
Values = Mapping[str, str | list[str]]


@dataclass
class Element:
    """One element, its text and its children in order."""

    tag: str
    attributes: dict[str, str]
    parent: "Element | None" = None
    inside: "list[Element | str]" = field(default_factory=list)

    def get(self, name: str, default: str = "") -> str:
        return self.attributes.get(name, default)

    def walk(self) -> "Iterator[Element]":
        yield self
        for child in self.inside:
            if isinstance(child, Element):
                yield from child.walk()

    @property
    def text(self) -> str:
        parts = [part.text if isinstance(part, Element) else part for part in self.inside]
        return re.sub(r"[ \n]+", " ", "".join(parts) + (" " if self.tag in _BLOCKS else ""))

    def within(self, tag: str) -> "Element | None":
        above = self.parent
        while above is not None and above.tag != tag:
            above = above.parent
        return above


class _Builder(HTMLParser):
    """Builds the tree; an end tag that closes nothing is a mistake of the page."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.root = Element("#page", {})
        self.here = self.root
        self.faults: list[str] = []
        self.doctype = ""

    def handle_decl(self, decl: str) -> None:
        self.doctype = decl

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._add(tag, attrs, opens=tag not in _VOID)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._add(tag, attrs, opens=False)

    def _add(self, tag: str, attrs: list[tuple[str, str | None]], *, opens: bool) -> None:
        names = [name for name, _value in attrs]
        if len(set(names)) < len(names):
            self.faults.append(f"<{tag}> has an attribute twice: {names}")
        element = Element(tag, {name: value or "" for name, value in attrs}, self.here)
        self.here.inside.append(element)
        if opens:
            self.here = element

    def handle_endtag(self, tag: str) -> None:
        if self.here.tag != tag or self.here.parent is None:
            self.faults.append(f"</{tag}> closes <{self.here.tag}>")
            return
        self.here = self.here.parent

    def handle_data(self, data: str) -> None:
        self.here.inside.append(data)


def parsed(text: str) -> Element:
    """Return the tree of a page's source."""
    builder = _Builder()
    builder.feed(text)
    builder.close()
    return builder.root


def _without(text: str, parts: list[str]) -> str:
    for part in parts:
        text = text.replace(part, " ", 1)
    return text


class Page:
    """A parsed page that keeps the rules; ``faults`` are those it breaks."""

    def __init__(self, reply: httpx.Response) -> None:
        self.status, self.headers, self.address = reply.status_code, reply.headers, urlsplit(str(reply.url)).path
        self.query, self.source = urlsplit(str(reply.url)).query, reply.text
        builder = _Builder()
        builder.feed(reply.text)
        builder.close()
        self.root = builder.root
        self.elements = list(self.root.walk())
        self.faults = [*builder.faults, *self._broken(builder)]

    def all(self, tag: str, **attributes: str) -> list[Element]:
        wanted = {name.rstrip("_").replace("_", "-"): value for name, value in attributes.items()}
        return [
            element
            for element in self.elements
            if element.tag == tag and all(element.attributes.get(name) == value for name, value in wanted.items())
        ]

    def of_class(self, name: str) -> list[Element]:
        return [element for element in self.elements if name in element.get("class").split()]

    def by_id(self, name: str) -> Element:
        return next(element for element in self.elements if element.get("id") == name)

    @property
    def h1(self) -> str:
        return self.all("h1")[0].text.strip()

    @property
    def text(self) -> str:
        return self.all("body")[0].text

    @property
    def controls(self) -> list[Element]:
        fields = [e for e in self.elements if e.tag in {"input", "select", "textarea"}]
        return [element for element in fields if element.get("type") != "hidden"]

    def _broken(self, builder: _Builder) -> Iterator[str]:
        if builder.doctype.lower() != "doctype html":
            yield f"doctype: got {builder.doctype!r}"
        if builder.here is not builder.root:
            yield f"<{builder.here.tag}> is never closed"
        if [e.get("lang") for e in self.all("html")] != ["en"]:
            yield "html: expected one, with a language"
        for tag in ("h1", "title", "main"):
            if len([e for e in self.all(tag) if e.within("svg") is None]) != 1:
                yield f"<{tag}>: expected one"
        levels = [int(e.tag[1]) for e in self.elements if re.fullmatch("h[1-6]", e.tag)]
        # The summary of faults stands above the heading of its page.
        levels = levels[1:] if self.of_class("faults") else levels
        if any(after > before + 1 for before, after in itertools.pairwise(levels)):
            yield f"headings skip a level: {levels}"
        yield from self._broken_ids()
        yield from self._unlabelled()
        yield from self._against_the_policy()
        yield from actions.faults(self.elements)
        # Only the help shows programs, where these may be words.
        programs = [e.text for e in self.elements if e.tag in ("pre", "code") and self.address.startswith(HELP)]
        if re.search(r"\b(nan|NaN|None|undefined|inf|Infinity)\b", _without(self.text, programs)):
            yield "the text holds a value that is no word for a reader"

    def _broken_ids(self) -> Iterator[str]:
        ids = [element.get("id") for element in self.elements if "id" in element.attributes]
        yield from (f"id {name!r} stands more than once" for name in set(ids) if ids.count(name) > 1)
        for element in self.elements:
            named = [name for attribute in _REFERENCES for name in element.get(attribute).split()]
            named += [element.get("for")] if "for" in element.attributes else []
            named += [element.get("href")[1:]] if element.get("href").startswith("#") else []
            yield from (f"<{element.tag}> refers to {name!r}, which is not there" for name in named if name not in ids)

    def _unlabelled(self) -> Iterator[str]:
        labelled = {label.get("for") for label in self.all("label") if label.text.strip()}
        for control in self.controls:
            around = control.within("label")
            if not (control.get("aria-label") or control.get("id") in labelled or (around and around.text.strip())):
                yield f"{control.get('name')}: no label"
            group = control.within("fieldset")
            if control.get("type") == "radio" and not (group and any(e.tag == "legend" for e in group.walk())):
                yield f"{control.get('name')}: a choice without a question"
        yield from (f"a button without words: {b.attributes}" for b in self.all("button") if not b.text.strip())

    def _against_the_policy(self) -> Iterator[str]:
        if "unsafe" in self.headers.get("content-security-policy", "unsafe"):
            yield "the policy allows inline code, or there is none"
        for element in self.elements:
            if element.tag == "style" or (element.tag == "script" and "src" not in element.attributes):
                yield f"inline <{element.tag}>"
            yield from (
                f"{name} on <{element.tag}>" for name in element.attributes if name == "style" or name[:2] == "on"
            )
            for name in ("src", "href", "action"):
                if not element.get(name, "/").startswith(("/", "#")) and not _is_the_shops(element):
                    yield f"{name} leads elsewhere: {element.get(name)}"


def _is_the_shops(element: Element) -> bool:
    """Say whether a link is one that a shop gave to be called, found or booked by: followed by hand, asked for by no page."""
    if element.tag != "a" or not (card := element.within("section")) or "shop-card" not in card.get("class").split():
        return False
    away = element.get("target") == "_blank" and "noopener" in element.get("rel").split()
    return element.get("href").startswith("tel:") or (element.get("href").startswith("https://") and away)


class Reader:
    """Somebody who reads pages of ``app`` and sends their forms; every page read must keep the rules."""

    def __init__(self, app: FastAPI) -> None:
        self.app = app

    def request(self, method: str, address: str, **options: object) -> httpx.Response:
        """Send one request and follow where it leads."""

        async def send() -> httpx.Response:
            transport = httpx.ASGITransport(self.app)
            headers = {"accept": "text/html"}
            async with httpx.AsyncClient(
                transport=transport, base_url="http://bows.example", headers=headers, follow_redirects=True
            ) as client:
                return await client.request(method, address, **options)  # type: ignore[arg-type]  # handed through

        return asyncio.run(send())

    def get(self, address: str) -> Page:
        return self._read(self.request("GET", address))

    def post(self, address: str, fields: Values) -> Page:
        return self._read(self.request("POST", address, data=fields))

    def _read(self, reply: httpx.Response) -> Page:
        page = Page(reply)
        assert page.faults == []
        return page

    def send(self, page: Page, answers: Values | None = None, go: str = "next") -> Page:
        """Send the page's form as it stands, with ``answers`` in its fields; an unknown field is a mistake of the test."""
        form = page.all("form")[0]
        assert form.get("method") == "post"
        fields: dict[str, str | list[str]] = {**standing(form)}
        names = {e.get("name") for e in form.walk()}
        assert set(answers or {}) <= names, f"got fields {set(answers or {}) - names} that the page does not have"
        buttons = [e.get("value") for e in form.walk() if e.tag == "button" and e.get("name") == "go"]
        assert not buttons or go in buttons, f"got the button {go!r}, expected one of {buttons}"
        pressed = {"go": go} if buttons else {}
        return self.post(form.get("action"), fields | dict(answers or {}) | pressed)


class Foreign(Reader):
    """A reader of pages in another language than English: 'html: expected one' is no fault there."""

    def _read(self, reply: httpx.Response) -> Page:
        page = Page(reply)
        assert [fault for fault in page.faults if not fault.startswith("html:")] == []
        return page


def standing(form: Element) -> dict[str, list[str]]:
    """Return what a browser would send of a form as it stands (HTML, 4.10.22.4), the button apart."""
    fields: dict[str, list[str]] = {}
    for element in form.walk():
        name, kind = element.get("name"), element.get("type")
        if element.tag == "input" and (kind not in {"radio", "checkbox"} or "checked" in element.attributes):
            fields.setdefault(name, []).append(element.get("value"))
        if element.tag == "select":
            options = [e for e in element.walk() if e.tag == "option"]
            chosen = [e for e in options if "selected" in e.attributes] or options[:1]
            fields.setdefault(name, []).extend(e.get("value") for e in chosen)
    return fields
