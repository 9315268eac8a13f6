"""A page of help as HTML for the desk: headings with anchors, tables that scroll by themselves, links that stay at the desk.

HTML in a page's text is shown as text and pictures are left out. No element carries a style of its own, which the pages'
Content-Security-Policy would refuse.
"""

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from typing import Any

from markdown_it import MarkdownIt
from markdown_it.token import Token
from markupsafe import Markup

from service.operations.help.topics import TOPICS, Topic

AT_THE_DESK = "/desk/help"
_BY_FILE = {topic.file.name: topic for topic in TOPICS}
_PAGE = re.compile(r"(?:[\w.-]+/)*(?P<file>[\w.-]+\.md)(?P<part>#[\w-]+)?")
_OUTSIDE = re.compile(r"https?://|#")
_ASIDE = re.compile(r" \([^)]*\)$")
_NO_LETTER = re.compile(r"[^\w\- ]")


@dataclass(frozen=True, slots=True)
class Part:
    """A heading of the second level: the anchor it can be reached by, and its words."""

    anchor: str
    words: str


@dataclass(frozen=True, slots=True)
class Marked:
    """A page as HTML, with its parts."""

    html: Markup
    parts: tuple[Part, ...]


@cache
def marked(topic: Topic) -> Marked:
    """Return a topic's page, made once in a process."""
    return render(topic.text)


def render(text: str) -> Marked:
    """Return a text in Markdown as HTML and the parts that it has."""
    reader = MarkdownIt("commonmark", {"html": False}).enable("table").disable("image")
    tokens = reader.parse(text)
    parts = tuple(_anchored(tokens))
    for token in tokens:
        _without_style(token)
        _reachable(token)
        token.children = list(_links(token.children)) if token.children else token.children
    html = reader.renderer.render(list(_framed(tokens)), reader.options, {})
    return Marked(Markup(html), parts)  # noqa: S704 - made by the renderer, with HTML in the text escaped


def anchor_of(words: str) -> str:
    """Return the anchor of a heading, by the rule that repositories' own pages follow."""
    return _NO_LETTER.sub("", words.strip().lower()).replace(" ", "-")


def _anchored(tokens: Sequence[Token]) -> Iterator[Part]:
    """Give every heading an anchor, numbered where two have the same words, and yield those of the second level."""
    taken: Counter[str] = Counter()
    for token, inline in pairwise(tokens):
        if token.type != "heading_open":
            continue
        words = _words(inline)
        anchor = anchor_of(words)
        taken[anchor] += 1
        if taken[anchor] > 1:
            anchor = f"{anchor}-{taken[anchor] - 1}"
        token.attrSet("id", anchor)
        if token.tag == "h2":
            yield Part(anchor, _ASIDE.sub("", words))


def _words(inline: Token) -> str:
    return "".join(child.content for child in inline.children or ())


def _without_style(token: Token) -> None:
    """Turn the alignment of a table's cell, which is a style, into a class; name what a column's head is the head of."""
    style = token.attrs.pop("style", None)
    if style == "text-align:right":
        token.attrSet("class", "number")
    if token.type == "th_open":
        token.attrSet("scope", "col")


def _reachable(token: Token) -> None:
    """Let an example that is wider than its page be scrolled by the keyboard (WCAG 2.2, 2.1.1)."""
    if token.type in ("fence", "code_block"):
        token.type = "code_block"
        token.attrSet("tabindex", "0")


def _links(tokens: Sequence[Token]) -> Iterator[Token]:
    """Yield the tokens with links to other pages led to the desk's own; a link to a file that is no page stays as words."""
    kept = True
    for token in tokens:
        if token.type == "link_open":
            address = _address(str(token.attrGet("href")))
            kept = address is not None
            if address is not None:
                token.attrSet("href", address)
                if address.startswith("http"):
                    token.attrSet("rel", "noreferrer")
        if kept or token.type not in ("link_open", "link_close"):
            yield token


def _address(href: str) -> str | None:
    page = _PAGE.fullmatch(href)
    topic = _BY_FILE.get(page["file"]) if page else None
    if page and topic:
        return f"{AT_THE_DESK}/{topic.name}{page['part'] or ''}"
    return href if _OUTSIDE.match(href) else None


def _framed(tokens: Sequence[Token]) -> Iterator[Token]:
    """Yield the tokens with every table in a region that scrolls, named by the heading above it."""
    heading, tables = "", 0
    for token, following in zip(tokens, (*tokens[1:], None), strict=True):
        if token.type == "heading_open" and following is not None:
            heading, tables = _words(following), 0
        if token.type == "table_open":
            tables += 1
            label = heading if tables == 1 else f"{heading}, {tables}"
            attributes: dict[str, Any] = {"class": "scroll", "tabindex": "0", "role": "region", "aria-label": label}
            yield Token("frame_open", "div", 1, attrs=attributes, block=True)
        yield token
        if token.type == "table_close":
            yield Token("frame_close", "div", -1, block=True)
