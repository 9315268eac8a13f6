"""The keys by which addresses are told without being kept: one that never changes, and what earlier digests were made with.

They lie in the database beside the digests: so every machine has them, and a backup brings both back or neither. They sign
nothing; whoever has them can only ask of an address he knows already whether it is among the digests.
"""

import datetime as dt
import hashlib
import hmac
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any
from weakref import WeakKeyDictionary

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.mail import addresses
from service.tables import AddressKey
from service.tables.base import ADDRESS_KEYS

PERMANENT, RETIRED = ADDRESS_KEYS
_KEPT = "address_keys"
_SHORT = 32
"""Hexadecimal digits of the digests that only count and confirm: 128 bits."""


@dataclass(frozen=True, slots=True)
class AddressKeys:
    """The permanent key, and SECRET_KEYs that were retired."""

    permanent: str = field(repr=False)
    retired: tuple[str, ...] = field(repr=False)

    def digest(self, address: str) -> str:
        """Return what an address is known by from now on."""
        return addresses.digest(self.permanent, address)

    def digests(self, address: str, secrets: Iterable[str]) -> tuple[str, ...]:
        """Return all that an address may be known by: earlier versions digested with the SECRET_KEY of the day."""
        keys = dict.fromkeys((self.permanent, *secrets, *self.retired))
        return tuple(addresses.digest(key, address) for key in keys)

    def mailbox(self, address: str) -> str:
        """Return what all spellings of an address are counted by; it says nothing on whose address it is."""
        return self._short("mailbox", addresses.counted(address))

    def confirmed(self, address: str) -> str:
        """Return what a confirmation is kept under."""
        return self._short("confirmed", addresses.without_tag(address))

    def of(self, kind: str, name: str) -> str:
        """Return what something else is counted by: a client's address, a dealer's slug."""
        return self._short(kind, name)

    def _short(self, kind: str, text: str) -> str:
        return hmac.new(self.permanent.encode(), f"{kind}:{text}".encode(), hashlib.sha256).hexdigest()[:_SHORT]


def of(session: Session) -> AddressKeys:
    """Return the keys; they are read once in a session."""
    if _KEPT not in session.info:
        rows = session.execute(select(AddressKey.role, AddressKey.key).order_by(AddressKey.made_at)).all()
        permanent = next(key for role, key in rows if role == PERMANENT)
        session.info[_KEPT] = AddressKeys(permanent, tuple(key for role, key in rows if role == RETIRED))
    found: AddressKeys = session.info[_KEPT]
    return found


_permanent: WeakKeyDictionary[Any, AddressKeys] = WeakKeyDictionary()
"""By engine the key that never changes, for digests that no retired SECRET_KEY has a part in."""


def permanent(session: Session) -> AddressKeys:
    """Return the permanent key alone; it is read once in a process."""
    bind = session.get_bind()
    if bind not in _permanent:
        _permanent[bind] = AddressKeys(of(session).permanent, ())
    return _permanent[bind]


def retire(session: Session, secret: str) -> None:
    """Keep a SECRET_KEY that is no longer accepted, for what was digested with it; a repeat changes nothing."""
    if session.get(AddressKey, secret) is None:
        session.add(AddressKey(key=secret, role=RETIRED, made_at=dt.datetime.now(dt.UTC)))
        session.info.pop(_KEPT, None)
