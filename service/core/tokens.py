"""Secrets drawn at random, and the digests under which they are kept."""

import hashlib
import secrets

BYTES = 32
"""256 random bits, twice what ASVS 5.0 (7.2.3) asks of a session's token."""


def secret() -> str:
    """Return a new secret, fit for a cookie or the path of a link."""
    return secrets.token_urlsafe(BYTES)


def digest(drawn: str) -> str:
    """Return what a secret is kept as: its SHA-256. A secret of 256 random bits needs neither salt nor a slow hash."""
    return hashlib.sha256(drawn.encode("utf-8", "replace")).hexdigest()
