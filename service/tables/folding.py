"""How texts are folded so that they are found however they are typed."""

import re
import unicodedata
from collections.abc import Iterator

LONGEST_WORD = 60
"""Characters of a word that are kept and looked for."""
_LETTERS = str.maketrans({"ø": "o", "ł": "l", "đ": "d", "ð": "d", "ı": "i", "æ": "ae", "œ": "oe", "þ": "th"})
"""Letters that have no accent to lose, as they are written without them."""
_UMLAUT = re.compile(r"([aou])e")
_WORD = re.compile(r"[^\W_]+")
_BETWEEN = re.compile(r"[\W_]+")
_DIGITS = re.compile(r"\D+")
_PHONE, _LONGEST_PHONE = "#", 15


def fold(text: str) -> str:
    """Return a text without case and accents; an umlaut is one letter, however it is written: 'Müller', 'Mueller', 'muller'."""
    parted = unicodedata.normalize("NFKD", text.casefold())
    plain = "".join(sign for sign in parted if not unicodedata.combining(sign))
    return _UMLAUT.sub(r"\1", plain.translate(_LETTERS))


def words(text: str) -> tuple[str, ...]:
    """Return the words of a text, folded: what lies between signs that are neither letters nor digits."""
    return tuple(word[:LONGEST_WORD] for word in _WORD.findall(fold(text)))


def plain(serial: str) -> str:
    """Return a serial as it is compared: without regard to case, blanks and the marks between its parts."""
    return _BETWEEN.sub("", unicodedata.normalize("NFKC", serial).casefold())


def phone(number: str, most: int = _LONGEST_PHONE) -> str:
    """Return a telephone number as a word: its last digits, from the end, since it may begin with a country's or with a zero."""
    return _PHONE + _DIGITS.sub("", number)[::-1][:most]


def of_person(name: str | None, email: str | None, number: str | None) -> Iterator[str]:
    """Give the words that somebody is found by."""
    yield from words(name or "")
    if email:
        yield fold(email)[:LONGEST_WORD]
        name, _at, host = email.partition("@")
        yield from words(name)
        yield fold(f"@{host}")[:LONGEST_WORD]
    if number and len(phone(number)) > 1:
        yield phone(number)


def enquiry_number(id_: str) -> str:
    """Return the number under which an enquiry is printed and asked for, as `service.core.formats` writes it."""
    return id_.partition("-")[0][:8].upper()
