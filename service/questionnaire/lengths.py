"""Lengths before contents: whether a JSON text is short, flat and small enough to be looked at, found out in one pass.

Checking a value costs a thousand times what sending it does, so what no form of ours can hold is refused before any is checked.
The pass ends at the first thing that is too much; it does not check that the text is JSON, which the parser does after it.
"""

import re
from dataclasses import dataclass, field
from itertools import islice

from service.core.errors import FieldCode, FieldProblem, InvalidInputError
from service.core.language import _

DEEPEST = 8
"""Brackets inside each other; the answers of a trial that a server composes have five."""
MOST_ITEMS = 60
"""Items of one list, fields of one object: somewhat more than the longest list of the questionnaire, its settings, may hold."""
MOST_VALUES = 1_000
"""Values in all; twenty bows tried, each with every rating, have some three hundred."""
LONGEST_TEXT = 24_000
"""Bytes of one text: a note of 2,000 characters, each written as two escapes of six (RFC 8259, section 7)."""
LONGEST_NAME = 60
"""Bytes of a name that are shown in a path."""
LONGEST_NUMBER = 40
"""Characters of one number; a double has 17 digits, sign, point and exponent."""

# Possessive, and closed by the text's end too: however the quotes stand, each byte is looked at once.
_TOKEN = re.compile(rb'"[^"\\]*+(?:\\.[^"\\]*+)*+"?|[\[\]{},:]|-?[0-9][0-9.eE+-]*+', re.DOTALL)


@dataclass(slots=True)
class _Open:
    """A list or object that is not closed yet: the path to it, and how many items came before the present one."""

    path: tuple[str, ...]
    is_list: bool
    before: int = 0
    name: str = ""


@dataclass(slots=True)
class _Pass:
    open: list[_Open] = field(default_factory=list)
    values: int = 1
    text: bytes = b""

    def path(self) -> tuple[str, ...]:
        """Return the path of the value that is being read."""
        if not self.open:
            return ()
        inner = self.open[-1]
        return (*inner.path, str(inner.before) if inner.is_list else inner.name)

    def take(self, token: bytes) -> None:
        """Take the next token; raises `InvalidInputError` where it is one too many or too long."""
        match token[:1]:
            case b'"':
                self.text = token
                self._require(
                    len(token) - 2 <= LONGEST_TEXT,
                    _("This text is too long; expected at most {most} bytes.").format(most=LONGEST_TEXT),
                )
            case b"[" | b"{":
                self.open.append(_Open(self.path(), is_list=token == b"["))
                if len(self.open) > DEEPEST:
                    sentence = _("There are too many brackets inside each other; expected at most {most}.")
                    raise _at((), sentence.format(most=DEEPEST))
                self._one_more()
            case b"]" | b"}":
                self.open = self.open[:-1]
            case b",":
                self._next()
            case b":":
                if self.open and not self.open[-1].is_list:
                    self.open[-1].name = self.text[1 : LONGEST_NAME + 1].decode("utf-8", "replace").rstrip('"')
            case _:
                self._require(
                    len(token) <= LONGEST_NUMBER,
                    _("This number has too many digits; expected at most {most}.").format(most=LONGEST_NUMBER),
                )

    def _next(self) -> None:
        if self.open:
            self.open[-1].before += 1
            if self.open[-1].before >= MOST_ITEMS:
                raise _at(self.open[-1].path, _("Expected at most {most} entries here.").format(most=MOST_ITEMS))
        self._one_more()

    def _one_more(self) -> None:
        self.values += 1
        if self.values > MOST_VALUES:
            raise _at((), _("Expected at most {most} values in all.").format(most=MOST_VALUES))

    def _require(self, fits: bool, sentence: str) -> None:
        if not fits:
            raise _at(self.path(), sentence)


def _at(path: tuple[str, ...], sentence: str) -> InvalidInputError:
    return InvalidInputError([FieldProblem(".".join(path), sentence, FieldCode.WRONG_LENGTH)])


_TEXTS = re.compile(rb'"[^"\\]*+(?:\\.[^"\\]*+)*+"?', re.DOTALL)
_LONG_NUMBER = re.compile(rb"[0-9.eE+-]{%d}" % (LONGEST_NUMBER + 1))
_BUT_BRACKETS = bytes(set(range(256)) - set(b"[]{}"))


def is_surely_bounded(body: bytes) -> bool:
    """Say whether a body is so small that `look_through` finds nothing, told by a few searches; most that are sent are."""
    bare = _TEXTS.sub(b"", body) if len(body) <= LONGEST_TEXT else b""
    brackets = bare.translate(None, _BUT_BRACKETS)
    if not bare or bare.count(b",") + len(brackets) >= MOST_ITEMS or _LONG_NUMBER.search(bare):
        return False
    depth = deepest = 0
    for bracket in brackets:
        depth = depth + 1 if bracket in b"[{" else max(depth - 1, 0)
        deepest = max(deepest, depth)
    return deepest <= DEEPEST


def require_bounded(body: bytes) -> None:
    """Raise `InvalidInputError` for a JSON text that holds more than any form of ours, with the path of the first thing that is too much."""
    if not is_surely_bounded(body):
        look_through(body)


def look_through(body: bytes) -> None:
    """Raise what `require_bounded` does, token by token."""
    reading = _Pass()
    # A value has at most five tokens: name, colon, two brackets, comma. Whatever has more is no JSON, as the parser says at once.
    for token in islice(_TOKEN.finditer(body), 5 * MOST_VALUES + 5):
        reading.take(token[0])
