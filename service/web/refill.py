"""A form on a page filled in as it was typed: the page's source with other values in it, and nothing else changed."""

from collections.abc import Mapping, Sequence
from html import escape
from html.parser import HTMLParser

_FIXED = frozenset({"hidden", "submit", "button", "image", "reset", "file", "password"})
"""Kinds of input whose value the page decides, or that nobody fills in for a reader."""

Attributes = list[tuple[str, str | None]]


def refilled(source: str, action: str, fields: Mapping[str, Sequence[str]]) -> tuple[str, bool]:
    """Return a page's source with the first form that is posted to ``action`` filled in; whether there is such a form."""
    parser = _Refill(action, fields)
    parser.feed(source)
    parser.close()
    return "".join(parser.out), parser.found


class _Refill(HTMLParser):
    """Copies a page piece by piece; inside of the form, inputs, choices and texts get their values."""

    def __init__(self, action: str, fields: Mapping[str, Sequence[str]]) -> None:
        super().__init__(convert_charrefs=False)
        self.action, self.fields = action, fields
        self.out: list[str] = []
        self.found = self.inside = self.skipping = False
        self.select = ""

    def handle_starttag(self, tag: str, attrs: Attributes) -> None:
        """Copy a tag, with its value where it is a field of the form."""
        given = dict(attrs)
        is_wanted = given.get("action") == self.action and (given.get("method") or "").lower() == "post"
        if tag == "form" and not self.found and is_wanted:
            self.found = self.inside = True
        if self.inside and tag == "select":
            self.select = given.get("name") or ""
        self.out.append(self._filled(tag, attrs, given) if self.inside else self.get_starttag_text() or "")
        if self.inside and tag == "textarea" and (name := given.get("name")) in self.fields and name:
            self.out.append("\n" + escape(self._first(name), quote=False))  # HTML drops the first line break
            self.skipping = True

    def handle_endtag(self, tag: str) -> None:
        """Copy the end of an element, and know when the form ends."""
        if tag == "textarea":
            self.skipping = False
        if tag == "select":
            self.select = ""
        if tag == "form":
            self.inside = False
        self.out.append(f"</{tag}>")

    def handle_startendtag(self, tag: str, attrs: Attributes) -> None:
        """Copy an element that ends itself, as those of pictures do."""
        self.out.append(self._filled(tag, attrs, dict(attrs)) if self.inside else self.get_starttag_text() or "")

    def handle_data(self, data: str) -> None:
        """Copy text, but not what stood in a text that was filled in."""
        if not self.skipping:
            self.out.append(data)

    def handle_entityref(self, name: str) -> None:
        """Copy a character by its name."""
        self.handle_data(f"&{name};")

    def handle_charref(self, name: str) -> None:
        """Copy a character by its number."""
        self.handle_data(f"&#{name};")

    def handle_comment(self, data: str) -> None:
        """Copy a comment."""
        self.out.append(f"<!--{data}-->")

    def handle_decl(self, decl: str) -> None:
        """Copy the document's type."""
        self.out.append(f"<!{decl}>")

    def _first(self, name: str) -> str:
        return next(iter(self.fields.get(name, ())), "")

    def _filled(self, tag: str, attrs: Attributes, given: Mapping[str, str | None]) -> str:
        name, kind = given.get("name") or "", given.get("type") or "text"
        if tag == "option" and self.select in self.fields:
            return _tag(tag, attrs, "selected", (given.get("value") or "") in self.fields[self.select])
        if tag != "input" or kind in _FIXED or not name:
            return self.get_starttag_text() or ""
        if kind in ("radio", "checkbox"):
            # A form that holds the field at all has said which are chosen; a box that is not ticked is not sent.
            return _tag(tag, attrs, "checked", (given.get("value") or "on") in self.fields.get(name, ()))
        if name not in self.fields:
            return self.get_starttag_text() or ""
        return _tag(tag, [(key, value) for key, value in attrs if key != "value"] + [("value", self._first(name))])


def _tag(tag: str, attrs: Attributes, flag: str = "", on: bool = False) -> str:
    kept = [(key, value) for key, value in attrs if key != flag] + ([(flag, None)] if flag and on else [])
    return f"<{tag}{''.join(_attribute(key, value) for key, value in kept)}>"


def _attribute(key: str, value: str | None) -> str:
    return f" {key}" if value is None else f' {key}="{escape(value)}"'
