"""Links that say by themselves what they lead to: an id, signed, so that none has to be stored to be shown again."""

import hashlib
import hmac
from dataclasses import dataclass, field

import itsdangerous
from itsdangerous.encoding import base64_decode, base64_encode
from itsdangerous.signer import SigningAlgorithm

_MAC_BYTES = 24
"""192 bits of the HMAC; RFC 2104, section 5, asks for no less than half of the hash, which is 128."""


class _Mac(SigningAlgorithm):
    """HMAC-SHA-256 over a purpose and the text (RFC 2104), cut to `_MAC_BYTES`."""

    def __init__(self, purpose: str) -> None:
        self._purpose = purpose.encode()

    def get_signature(self, key: bytes, value: bytes) -> bytes:
        """Return the signature of a text."""
        # Of the three parts only the last is from outside, and none holds the mark between them.
        return hmac.new(key, b"\0".join((b"link", self._purpose, value)), hashlib.sha256).digest()[:_MAC_BYTES]


@dataclass(frozen=True, slots=True)
class Signer:
    """Makes and reads tokens, each for one purpose only; ``secret`` signs, tokens of the ``older`` ones are read too."""

    secret: str = field(repr=False)
    older: tuple[str, ...] = field(default=(), repr=False)

    def make(self, purpose: str, about: str) -> str:
        """Return the token of an id, ``ID.SIGNATURE``, fit for a path and readable; `ValueError`: ``about`` is not of ASCII letters, digits and '-_.'."""
        if not _is_plain(about):
            msg = f"about: got {about!r}, expected ASCII letters, digits, '-', '_' and '.'"
            raise ValueError(msg)
        return self._ring(purpose).sign(about).decode()

    def read(self, purpose: str, token: str) -> str | None:
        """Return the id of a token made here for ``purpose``, None for any other text."""
        subject, _dot, mac = token.rpartition(".")
        if not _is_plain(subject) or not _is_plain(mac):
            return None
        try:
            # One spelling only: the decoder passes over what is not of its alphabet.
            one_spelling = base64_encode(base64_decode(mac)).decode() == mac
            return self._ring(purpose).unsign(token).decode() if one_spelling else None
        except itsdangerous.BadData:
            return None

    def _ring(self, purpose: str) -> itsdangerous.Signer:
        # The library's newest key comes last. No key is derived: links that are out were signed without.
        keys = [*reversed(self.older), self.secret]
        return itsdangerous.Signer(keys, sep=".", key_derivation="none", algorithm=_Mac(purpose))


def _is_plain(text: str) -> bool:
    return bool(text) and text.isascii() and all(letter.isalnum() or letter in "-_." for letter in text)
