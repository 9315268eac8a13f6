"""Passwords as argon2id digests (RFC 9106), and which passwords are taken.

One digest costs about 40 ms and 19 MiB. It is made in a thread, so that the event loop goes on meanwhile, and by few threads
at a time, so that a flood of sign-ins meets a queue and not the end of the memory.
"""

import asyncio
import base64
import re
import secrets
import threading
import unicodedata
from collections.abc import Callable
from typing import TypeVar
from weakref import WeakKeyDictionary

from argon2 import PasswordHasher, Type
from argon2.exceptions import InvalidHashError, VerificationError

from service.core import workers
from service.core.errors import InvalidInputError
from service.core.language import _

MEMORY_KIB, PASSES, LANES = 19_456, 2, 1
"""Cost: the least that OWASP's Password Storage Cheat Sheet names for argon2id."""
SALT_BYTES, TAG_BYTES = 16, 32
"""As RFC 9106, section 4, recommends."""
AT_ONCE = 2
"""So many digests are made at the same time."""
SHORTEST, LONGEST = 15, 256
"""Characters: ASVS 5.0 (6.2.1) strongly recommends 15 where nothing but the password is asked; 6.2.9 wants 64 allowed."""
FEWEST_DIFFERENT = 6
FEWEST_GUESSES = 12.0
"""Powers of ten: as many guesses as zxcvbn estimates that somebody needs who knows common passwords, names, words, dates and
rows of keys, and the words that stand for the owner and the shop. Fifteen digits or letters drawn at random reach it; a name
with a year, a common password with digits after it and the like stay below 10^11.5."""
_ESTIMATED = 40
"""Characters that are estimated: whatever follows makes a password no easier to guess, and a longer text made to be slow
would take seconds."""
_LONGEST_UNIT = 8
_ROWS = (
    "abcdefghijklmnopqrstuvwxyz",
    "01234567890",
    "qwertyuiop",
    "qwertzuiop",
    "azertyuiop",
    "asdfghjkl",
    "zxcvbnm",
    "1qaz2wsx3edc4rfv5tgb6yhn7ujm",
)
"""Rows of keys, and at last the columns of one keyboard, one after the other."""
_UNSHIFTED = str.maketrans("!@#$%^&*()", "1234567890")
"""What stands on the same keys as digits."""
_SMALLEST_WORD, _SMALLEST_KNOWN = 4, 3
"""Letters of a word that is taken out of a password, and of one that is told to the estimate."""

R = TypeVar("R")
_hasher = PasswordHasher(
    time_cost=PASSES, memory_cost=MEMORY_KIB, parallelism=LANES, hash_len=TAG_BYTES, salt_len=SALT_BYTES, type=Type.ID
)
_one_by_one = threading.Lock()
"""Held while one password is estimated: the library keeps the words of its owner where every thread finds them."""
_turns: WeakKeyDictionary[asyncio.AbstractEventLoop, asyncio.Semaphore] = WeakKeyDictionary()


def _nobodys() -> str:
    salt, tag = (base64.b64encode(secrets.token_bytes(count)).decode().rstrip("=") for count in (SALT_BYTES, TAG_BYTES))
    return f"$argon2id$v=19$m={MEMORY_KIB},t={PASSES},p={LANES}${salt}${tag}"


NOBODYS = _nobodys()
"""A digest that no password has: an unknown address is checked against it and so takes as long as a known one."""


def hash_password(password: str) -> str:
    """Return the digest of a password, with its parameters and a salt of its own. Takes about 40 ms."""
    return _hasher.hash(_same_form(password))


def fits(digest: str, password: str) -> bool:
    """Say whether a password is the one of a digest. Takes about 40 ms, whatever the answer."""
    # One that is longer than any can be is refused whole, not cut: its beginning is another password.
    is_possible = len(password) <= LONGEST
    try:
        return _hasher.verify(digest, _same_form(password) if is_possible else "") and is_possible
    except (VerificationError, InvalidHashError):
        return False


def is_outdated(digest: str) -> bool:
    """Say whether a digest was made at another cost than today's, so that it should be made anew."""
    return _hasher.check_needs_rehash(digest)


async def in_thread(slow: Callable[..., R], *arguments: object) -> R:
    """Run one of the slow functions above in a thread, at most `AT_ONCE` of them together."""
    await workers.on_loop()
    turn = _turns.setdefault(asyncio.get_running_loop(), asyncio.Semaphore(AT_ONCE))
    async with turn:
        result = await asyncio.to_thread(slow, *arguments)
    await workers.off_loop()
    return result


def require_good(password: str, about: tuple[str, ...] = (), field: str = "password") -> None:
    """Raise `InvalidInputError` where a new password is too easily guessed; ``about``: words that stand for its owner or the shop."""
    # Takes a millisecond or two; up to a second for a text made to be slow, so that routes run it in a thread. No
    # kind of character is asked for, and none refused (ASVS 5.0, 6.2.5).
    problem = _weakness(_same_form(password), about)
    if problem:
        raise InvalidInputError([(field, problem)])


def _same_form(password: str) -> str:
    """Return the password in one form of Unicode, so that 'ä' is the same from every keyboard (RFC 8265, 4.2.2: NFC)."""
    return unicodedata.normalize("NFC", password)


def _weakness(password: str, about: tuple[str, ...]) -> str:
    if len(password) < SHORTEST:
        return _(
            "This password has {count} characters; expected {least} or more. Four or five words that do not belong "
            "together are easy to remember and hard to guess."
        ).format(count=len(password), least=SHORTEST)
    if len(password) > LONGEST:
        return _("This password has {count} characters; expected {most} or fewer.").format(
            count=len(password), most=LONGEST
        )
    bare = _without(password.casefold(), _words(about, _SMALLEST_WORD))
    if len(set(bare)) < FEWEST_DIFFERENT or _repeats(bare) or _runs(bare.translate(_UNSHIFTED)):
        return _(
            "This password is easily guessed: little is left of it without what repeats, rows of the keyboard, and your own "
            "or the shop’s name. Expected four or five words that do not belong together."
        )
    if _guesses(password, _words(about, _SMALLEST_KNOWN)) < FEWEST_GUESSES:
        return _(
            "This password is easily guessed: whoever tries passwords begins with common ones, names, years and rows of "
            "keys. Expected four or five words that do not belong together, or what a password manager draws."
        )
    return ""


def _guesses(password: str, known: list[str]) -> float:
    """Return the power of ten of the guesses that a password is good for, by lists that come with the library."""
    from zxcvbn import zxcvbn  # noqa: PLC0415 - megabytes of lists, which only a new password is held against

    with _one_by_one:
        return float(zxcvbn(password[:_ESTIMATED], user_inputs=known)["guesses_log10"])


def _words(about: tuple[str, ...], shortest: int) -> list[str]:
    """Return the words that others know of a password's owner, the longest first."""
    known = {word for text in about for word in re.split(r"[^\w]+|_", text.casefold()) if len(word) >= shortest}
    return sorted(known, key=lambda word: (-len(word), word))


def _without(password: str, known: list[str]) -> str:
    """Return what is left of a password without the words that others know of its owner."""
    for word in known:
        password = password.replace(word, "")
    return password


def _repeats(text: str) -> bool:
    """Say whether a text is one short piece over and over: 'abcabcabcabc'."""
    return any(len(text) >= 2 * n and text == (text[:n] * len(text))[: len(text)] for n in range(1, _LONGEST_UNIT + 1))


def _runs(text: str) -> bool:
    """Say whether more than half of a text is read off a row of keys or the alphabet, three or more at a time."""
    return 2 * sum(len(run) for run in _rows_in(text)) > len(text)


def _rows_in(text: str) -> list[str]:
    found, start = [], 0
    while start < len(text):
        end = start + 1
        while end < len(text) and any(
            text[start : end + 1] in row or text[start : end + 1] in row[::-1] for row in _ROWS
        ):
            end += 1
        if end - start >= 3:
            found.append(text[start:end])
        start = end
    return found
