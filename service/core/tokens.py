"""Secrets drawn at random, and the digests under which they are kept."""

import hashlib
import secrets

BYTES = 32
"""256 random bits, twice what ASVS 5.0 (7.2.3) asks of a session's token."""
ALPHABET = "ACDEFGHJKMNPQRTVWXY34679"
"""Without what is taken for another sign: B and 8, I, L and 1, O and 0, S and 5, U and V (V stays), Z and 2."""


def secret() -> str:
    """Return a new secret, fit for a cookie or the path of a link."""
    return secrets.token_urlsafe(BYTES)


def digest(drawn: str) -> str:
    """Return what a secret is kept as: its SHA-256. A secret of 256 random bits needs neither salt nor a slow hash."""
    return hashlib.sha256(drawn.encode("utf-8", "replace")).hexdigest()


def as_typed(code: str) -> str:
    """Return a code as it was made from what was typed: capitals, without blanks and hyphens."""
    return "".join(code.split()).replace("-", "").upper()
