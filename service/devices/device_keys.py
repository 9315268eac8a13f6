"""The keys and links of devices are looked up before anything else of a request is read, as those of dealers are."""

from fastapi import Depends, Request

from service.core import dealer_wall
from service.dealers.keyed import count_server, refuse
from service.devices import senders, tablets
from service.web.database_sessions import reading
from service.web.device_requests import Key, Links


async def _sender(request: Request, key: Key, links: Links) -> None:
    async with reading(request) as session:
        found = senders.identify(session, key, links)
    if found is None:
        refuse(request)
    if found.server is not None:
        count_server(request, found.server)


async def _tablet(request: Request, key: Key) -> None:
    async with reading(request) as session:
        found = tablets.tablet_of(session, key)
    if found is None:
        refuse(request)
    dealer_wall.stand(found.dealer)


FROM_SENDER = [Depends(_sender)]
"""A route's ``dependencies``, met before its parameters: only for a tablet, a link's holder or a dealer's server."""
FROM_TABLET = [Depends(_tablet)]
"""The same, only for a tablet."""
