"""Cells that a spreadsheet takes for text."""

import re

_FORMULA = re.compile(r"'*[=+\-@\t]")
_GUARDED = re.compile(r"'+[=+\-@\t]")


def with_guard(text: str) -> str:
    """Return text that no spreadsheet takes for a formula: an apostrophe goes before what could be one, and before what looks guarded already."""
    return f"'{text}" if _FORMULA.match(text) else text


def without_guard(text: str) -> str:
    """Take off the apostrophe of `with_guard`."""
    return text[1:] if _GUARDED.match(text) else text
