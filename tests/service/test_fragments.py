"""No message is a fragment: a translator bends whole sentences and labels, never pieces that a program puts together."""

import ast
import re
from collections.abc import Iterator

import pytest

from tests import translations
from tests.test_house import ROOT, sources, tree

JOINTS = ("and", "or", "but", "then", "because", "than")
"""Words that join: a message that begins or ends with one is half of something."""
_TIED = re.compile(r"(?:to|of|by|with|from|for|at|in|on) \{\w+\}")
"""A word and a value, which say nothing until something stands before them."""
ENDS = (".", ":", "!", "?", "…")
GREETINGS = {"Hello,", "Hello %(name)s,"}
TRANSLATING = {"_", "gettext", "ngettext", "pgettext"}
_ONE = r"\{\{-? *(?:n?gettext|_)\([^{}]*?\"(?P<text>[^\"]*)\"[^{}]*\) *-?\}\}"
_GLUED = re.compile(_ONE + r"[ ,;–]*(?=\{\{)")
LINK = re.compile(r"^=> ")


def messages() -> list[str]:
    """Return every message of the catalogues, both forms of a plural."""
    ids = [message.id for message in translations.refreshed("de") if message.id]
    return [one for each in ids for one in ([each] if isinstance(each, str) else each)]


def is_fragment(text: str) -> bool:
    """Say whether a text begins or ends in the midst of a sentence."""
    words = re.findall(r"[\w’]+|\S", text)
    first, last = words[0], words[-1]
    inside = (",", ";", *JOINTS)
    return first in inside or last in inside or _TIED.fullmatch(text.strip()) is not None


def glued(source: str) -> list[str]:
    """Return the texts of a template that run on into what is put in beside them, without an end of their own."""
    lines = (line for line in source.splitlines() if not LINK.match(line))
    found = (each["text"] for line in lines for each in _GLUED.finditer(line))
    return [text for text in found if not text.endswith(ENDS)]


def is_unfinished(part: ast.AST) -> bool:
    """Say whether a part of a text is a message without an end of its own."""
    called = isinstance(part, ast.Call) and isinstance(part.func, ast.Name) and part.func.id in TRANSLATING
    texts = [each.value for each in ast.walk(part) if isinstance(each, ast.Constant) and isinstance(each.value, str)]
    return called and bool(texts) and not texts[0].endswith(ENDS)


def pieced(module: ast.Module) -> Iterator[int]:
    """Give the lines on which a program puts a message together with something else, by a sum or within an f-string."""
    for node in ast.walk(module):
        parts: list[ast.AST] = []
        if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add):
            parts = [node.left, node.right]
        elif isinstance(node, ast.JoinedStr):
            parts = [part.value for part in node.values if isinstance(part, ast.FormattedValue)]
        if any(map(is_unfinished, parts)):
            yield node.lineno  # type: ignore[attr-defined] # every expression has one


def test_no_message_begins_or_ends_within_a_sentence() -> None:
    assert sorted({text for text in messages() if is_fragment(text)} - GREETINGS) == []


def test_no_template_glues_messages_together() -> None:
    templates = sorted(ROOT.glob("templates/**/*.*"))
    assert len(templates) > 50
    found = {str(path.relative_to(ROOT)): glued(path.read_text(encoding="utf-8")) for path in templates}
    assert {name: texts for name, texts in found.items() if texts} == {}


def test_no_program_pieces_messages_together() -> None:
    found = {str(path.relative_to(ROOT)): list(pieced(tree(path))) for path in sources("service")}
    assert {name: lines for name, lines in found.items() if lines} == {}


@pytest.mark.parametrize(
    ("text", "fragment"),
    [
        ("to {do}", True),
        (", then ", True),
        ("{count} bows and", True),
        ("by {name}", True),
        ("by post", False),
        ("Yes, or no.", False),
    ],
)
def test_what_a_fragment_is(text: str, fragment: bool) -> None:
    assert is_fragment(text) is fragment


def test_what_is_glued_is_found() -> None:
    assert glued('<p>{{ _("Played by") }} {{ name }}</p>') == ["Played by"]
    assert glued('<p>{{ _("It is over.") }} {{ why }}</p>') == []
    assert list(pieced(ast.parse("said = f'{_(\"Played\")} {day}'"))) == [1]
