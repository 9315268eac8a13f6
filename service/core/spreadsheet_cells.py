"""Cells that a spreadsheet takes for text."""

import re

_FORMULA = re.compile(r"'*[=+\-@\t]")
_GUARDED = re.compile(r"'+[=+\-@\t]")


def with_guard(text: str) -> str:
    """Return text that a spreadsheet will not take for a formula: guarded by an apostrophe where it could be.

    Text that looks guarded already gets one more, so that reading back always gives what was written.
    """
    return f"'{text}" if _FORMULA.match(text) else text


def without_guard(text: str) -> str:
    """Take off the apostrophe of `with_guard`."""
    return text[1:] if _GUARDED.match(text) else text
