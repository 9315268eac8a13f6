"""Who may send sheets: a tablet or the server of a dealer, for every trial there, or whoever holds a link, for one trial as one rater.

A server's tests send for the trials of their key's sandbox.
"""

import datetime as dt
from dataclasses import dataclass

from sqlalchemy.orm import Session

from service.core.errors import NotFoundError
from service.core.signed_links import Signer
from service.dealers import api_keys
from service.dealers.api_keys import KeyFound
from service.devices import tablets
from service.trials import rater_links

_OF_SERVERS = tuple(api_keys.PREFIXES[kind] for kind in sorted(api_keys.SECRET))


@dataclass(frozen=True, slots=True)
class Sender:
    """Who sends.

    ``dealer``: slug of the dealer whose trials it may send for.
    ``name``: as it stands beside a sheet: 'tablet 9f2c…', 'link 17ab…' or 'server …Qx2a'.
    ``trial``, ``rater``: the one trial and the one rater of a link; None for a tablet and a server, which have them all.
    ``closed``: the link is closed; what it still sends is kept and flagged.
    ``tablet``: the tablet's id, where it is time to note that it was seen; else None.
    ``server``: the key of a dealer's server or of its tests, whose trials are in a sandbox; None for any other.
    """

    dealer: str
    name: str
    trial: str | None = None
    rater: str | None = None
    closed: bool = False
    tablet: str | None = None
    server: KeyFound | None = None

    def may_send(self, trial: str) -> bool:
        """Say whether a sheet of this trial may come from here."""
        return self.trial in (None, trial)


def identify(session: Session, key: str, signer: Signer) -> Sender | None:
    """Return whose key or link's token this is; None where it is nobody's, or was withdrawn."""
    if signer.read(rater_links.PURPOSE, key) is not None:
        try:
            seat = rater_links.read(session, key, signer=signer)
        except NotFoundError:
            return None
        return Sender(seat.dealer, f"link {seat.id}", seat.trial, seat.rater, seat.closed)
    if key.startswith(_OF_SERVERS):
        found = api_keys.of(session, key)
        if found is not None:
            return Sender(found.dealer, f"{found.kind} …{found.hint}", server=found)
    tablet = tablets.tablet_of(session, key)
    if tablet is None:
        return None
    long_ago = tablet.seen_at is None or tablet.seen_at < dt.datetime.now(dt.UTC) - tablets.SEEN_EVERY
    return Sender(tablet.dealer, f"tablet {tablet.id}", tablet=tablet.id if long_ago else None)
