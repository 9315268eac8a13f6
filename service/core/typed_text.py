"""What somebody typed to look for something, without what nobody sees."""

import unicodedata

LONGEST = 200
"""Characters that are looked for; nothing here has a longer name."""


def cleaned(text: str) -> str:
    """Return a text without control signs, marks of direction, blanks at its ends or more than one between."""
    seen = (" " if unicodedata.category(sign) in ("Cc", "Cs") else sign for sign in text)
    return " ".join("".join(sign for sign in seen if unicodedata.category(sign) != "Cf").split())
