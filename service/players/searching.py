"""What is typed to find somebody: words that names begin with, an address, or the last digits of a telephone number."""

import re
from collections.abc import Collection, Sequence
from typing import Any

from sqlalchemy import Select, exists, false, select
from sqlalchemy.orm import InstrumentedAttribute, aliased

from service.core.typed_text import LONGEST, cleaned
from service.tables import SearchWord
from service.tables.columns import begins
from service.tables.folding import LONGEST_WORD, fold, phone, words

LEAST_LETTERS, LEAST_DIGITS, ENOUGH_DIGITS, MOST_WORDS = 2, 4, 8, 6
_DIGITS = re.compile(r"[\d\s()+/.\-]+")
_HOST = re.compile(r"[^\s.]+(?:\.[^\W\d]{2,})+")


def is_phone(text: str) -> bool:
    """Say whether a text may be a telephone number or the end of one."""
    return bool(_DIGITS.fullmatch(text)) and sum(sign.isdigit() for sign in text) >= LEAST_DIGITS


def words_of(text: str) -> tuple[str, ...]:
    """Return the words that somebody must have to be found, each by its beginning; none where there is too little to go by."""
    text = cleaned(text)[:LONGEST]
    if "@" in text:
        return (fold("".join(text.split()))[:LONGEST_WORD],)
    if _HOST.fullmatch(text):
        return (fold(f"@{text}")[:LONGEST_WORD],)
    if is_phone(text):
        return (phone(text, ENOUGH_DIGITS),)
    found = tuple(dict.fromkeys(words(text)))[:MOST_WORDS]
    return found if max(map(len, found), default=0) >= LEAST_LETTERS else ()


def found(of: InstrumentedAttribute[Any], dealers: Collection[str], text: str) -> Select[*tuple[Any, ...]]:
    """Return what asks for those of a column of `SearchWord` who are found by a text; for nobody where it says too little."""
    wanted = words_of(text)
    return having(of, dealers, wanted) if wanted else select(of).where(false())


def having(of: InstrumentedAttribute[Any], dealers: Collection[str], wanted: Sequence[str]) -> Select[*tuple[Any, ...]]:
    """Return what asks for those of a column of `SearchWord` who have every word, by the longest of them."""
    first, *others = sorted(wanted, key=len, reverse=True)
    found = select(of).where(of.is_not(None), SearchWord.dealer.in_(dealers), begins(SearchWord.word, first))
    for word in others:
        other = aliased(SearchWord)
        found = found.where(exists().where(getattr(other, of.key) == of, begins(other.word, word)))
    return found
