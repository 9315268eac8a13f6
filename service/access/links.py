"""Links that say by themselves what they lead to: an id, signed, so that none has to be stored to be shown again."""

import base64
import hashlib
import hmac
from dataclasses import dataclass, field

_MAC_BYTES = 24
"""192 bits of the HMAC; RFC 2104, section 5, asks for no less than half of the hash, which is 128."""


@dataclass(frozen=True, slots=True)
class Signer:
    """Makes and reads tokens, each for one purpose only (HMAC-SHA-256, RFC 2104). ``secret`` is the service's secret key."""

    secret: str = field(repr=False)

    def make(self, purpose: str, about: str) -> str:
        """Return the token of an id: ``ID.SIGNATURE``, fit for a path; the id itself can be read in it.

        Raises
        ------
        ValueError
            ``about`` holds more than ASCII letters, digits, '-', '_' and '.', or nothing.
        """
        if not _is_plain(about):
            msg = f"about: got {about!r}, expected ASCII letters, digits, '-', '_' and '.'"
            raise ValueError(msg)
        return f"{about}.{self._mac(purpose, about)}"

    def read(self, purpose: str, token: str) -> str | None:
        """Return the id of a token made here for ``purpose``, None for any other text."""
        about, _dot, mac = token.rpartition(".")
        if not _is_plain(about):
            return None
        fits = hmac.compare_digest(self._mac(purpose, about).encode(), mac.encode("utf-8", "replace"))
        return about if fits else None

    def _mac(self, purpose: str, about: str) -> str:
        # Of the three parts only the last is from outside, and none holds the mark between them.
        text = f"link\0{purpose}\0{about}".encode()
        whole = hmac.new(self.secret.encode(), text, hashlib.sha256).digest()
        return base64.urlsafe_b64encode(whole[:_MAC_BYTES]).decode()


def _is_plain(text: str) -> bool:
    return bool(text) and text.isascii() and all(letter.isalnum() or letter in "-_." for letter in text)
