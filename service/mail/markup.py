"""The mark-up of mails: one source, from which text and HTML are made.

What a line of a mail's ``body.txt`` is, is said by how it begins; empty lines part paragraphs and nothing else::

    # A heading
    A paragraph, over as many lines
    as it takes.
    - one entry of a list
    - another
    => https://bows.example/advice/… The words of the link
    ---

A link has a line of its own. After ``---`` comes the small print. There is no mark-up inside a line, and a value that
somebody typed can begin no line with a mark (see `safe`): so nobody can put a link of their own into a mail of ours.
"""

import re
import textwrap
from dataclasses import dataclass, replace
from typing import Literal

from jinja2 import Environment

WIDTH = 72
"""Characters of a line of text; RFC 5322, 2.1.1 asks for at most 78."""
_MARK = re.compile(r"^\s*(?:(?:=>|#|-+)\s*)+")
_BLANKS = re.compile(r"[^\S\u00a0\u202f]+")
"""Any blank but those that hold a number and its unit together."""
RULE = "---"
Kind = Literal["heading", "paragraph", "list", "link"]


@dataclass(frozen=True, slots=True)
class Block:
    """One block: its words, the entries of a list, the address of a link; ``small``: it stands in the small print."""

    kind: Kind
    text: str = ""
    entries: tuple[str, ...] = ()
    address: str = ""
    small: bool = False


def safe(value: object) -> object:
    """Return a value as it may stand in a mail: text on one line, without a mark at its beginning."""
    return _MARK.sub("", _BLANKS.sub(" ", value).strip()) if isinstance(value, str) else value


def parse(source: str) -> tuple[Block, ...]:
    """Return the blocks of a body; raises ``ValueError`` for a link without words."""
    blocks: list[Block] = []
    small = open_ = False
    for line in (line.strip() for line in source.splitlines()):
        if line == RULE:
            small = True
        elif line:
            block = _block(line, small)
            joined = _joined(blocks[-1], block) if blocks and (open_ or block.kind == "list") else None
            blocks[-1:] = [joined] if joined else [*blocks[-1:], block]
        open_ = bool(line) and line != RULE
    return tuple(blocks)


def _block(line: str, small: bool) -> Block:
    if line.startswith("- "):
        return Block("list", entries=(line[2:].strip(),), small=small)
    if line.startswith("=> "):
        address, _blank, words = line.removeprefix("=> ").strip().partition(" ")
        if not address.startswith(("https://", "http://")) or not words.strip():
            raise ValueError(f"link: got {line!r}, expected '=> https://… words'")
        return Block("link", words.strip(), address=address, small=small)
    if line.startswith("# "):
        return Block("heading", line[2:].strip(), small=small)
    return Block("paragraph", line, small=small)


def _joined(before: Block, block: Block) -> Block | None:
    """Return two blocks as one where the second line goes on with what the first began, else None."""
    if before.small != block.small or before.kind != block.kind:
        return None
    if block.kind == "list":
        return replace(before, entries=before.entries + block.entries)
    return replace(before, text=f"{before.text} {block.text}") if block.kind == "paragraph" else None


def to_text(blocks: tuple[Block, ...]) -> str:
    """Return the blocks as plain text; addresses of links stand on lines of their own, unbroken."""
    parts, small = [], False
    for block in blocks:
        if block.small and not small:
            small = True
            parts.append("-" * 32)
        parts.append(_TEXTS[block.kind](block))
    return "\n\n".join(parts) + "\n"


def _filled(text: str, first: str = "", later: str = "") -> str:
    return textwrap.fill(
        text.replace("\u2060", ""),
        WIDTH,
        initial_indent=first,
        subsequent_indent=later,
        break_long_words=False,
        break_on_hyphens=False,
    )


def _heading(block: Block) -> str:
    return f"{_filled(block.text)}\n{'-' * min(len(block.text), WIDTH)}"


def _link_text(block: Block) -> str:
    return f"{_filled(f'{block.text}:')}\n{block.address}"


def _list(block: Block) -> str:
    return "\n".join(_filled(entry, "* ", "  ") for entry in block.entries)


_TEXTS = {"heading": _heading, "paragraph": lambda block: _filled(block.text), "list": _list, "link": _link_text}


def to_html(environment: Environment, title: str, language: str, blocks: tuple[Block, ...]) -> str:
    """Return the blocks as one column of simple HTML, without tables, images or anything that is fetched."""
    frame = environment.get_template("mail/frame.html")
    return frame.render(
        title=title,
        lang=language,
        blocks=[block for block in blocks if not block.small],
        small=[block for block in blocks if block.small],
    )
