"""The grammar of actions, held on every page that a test reads: what looks alike does alike.

One primary a form or section; what ends or erases something for good looks grave, and nothing that is sent looks like a link, but
going to another step of a form and signing out.
"""

import re
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tests.service.page import Element

_GROUPS = ("form", "section", "dialog", "template", "main", "body")
_ENDS = re.compile(r"^/erase/|/(erase|revoke|disable|remove|cancel)$")
_LIKE_A_LINK = re.compile("[Ss]ign-out$")


def faults(elements: "Sequence[Element]") -> Iterator[str]:
    """Give what breaks the grammar among a page's elements."""
    primaries = [group for e in elements if _is(e, "go") and not _elsewhere(e) and (group := _group(e)) is not None]
    for group in {id(group): group for group in primaries}.values():
        if (count := sum(other is group for other in primaries)) > 1:
            yield f"<{group.tag} {group.attributes}>: got {count} primary actions, expected one at most"
    for button in (e for e in elements if e.tag == "button" and e.get("type", "submit") == "submit"):
        form = button.within("form")
        if form is None or form.get("method", "get") != "post":
            continue
        action = button.get("formaction") or form.get("action")
        if _is(button, "plain") and button.get("name") != "go" and not _LIKE_A_LINK.search(action):
            yield f"{button.text.strip()!r} to {action}: looks like a link, but does something"
        if _ENDS.search(action.partition("?")[0]) and not _is(button, "grave"):
            yield f"{button.text.strip()!r} to {action}: ends or erases something, but does not look grave"
    ways = (e for e in elements if e.tag == "a" and "hreflang" not in e.attributes)
    for link in (e for e in ways if _ENDS.search(e.get("href").partition("?")[0])):
        if not _is(link, "grave"):
            yield f"{link.text.strip()!r} to {link.get('href')}: leads to an end, but looks like any link"


def _is(element: "Element", look: str) -> bool:
    return look in element.get("class").split()


def _elsewhere(element: "Element") -> bool:
    """Say whether this is the same action once more, for narrow screens."""
    above: Element | None = element
    while above is not None and not _is(above, "narrow-only"):
        above = above.parent
    return above is not None


def _group(element: "Element") -> "Element | None":
    above = element.parent
    while above is not None and above.tag not in _GROUPS:
        above = above.parent
    return above
