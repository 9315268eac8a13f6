"""What frames every request: its id, and an end without a traceback where the client breaks off or the database is away."""

import logging

from fastapi import Request
from starlette.requests import ClientDisconnect
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.core import language, logs
from service.core.workers import TooBusyError
from service.web import error_pages

log = logging.getLogger(__name__)


class Requests:
    """Gives each request an id, which its lines in the log carry and the header of its answer."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on; what it may end by in the middle of things is told in a line, if at all."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        named, answered = (error_pages.REQUEST_ID.lower().encode(), logs.begin_request().encode()), False

        async def send_named(message: Message) -> None:
            nonlocal answered
            if message["type"] == "http.response.start":
                answered = True
                message = {**message, "headers": [*message.get("headers", ()), named]}
            await send(message)

        try:
            await self.app(scope, receive, send_named)
        except ClientDisconnect:
            log.debug("a client broke off")
        except (*logs.AWAY, TooBusyError) as error:
            # Those that answer a request meet this themselves; here it was met before or after, and the log has it from here.
            if not isinstance(error, TooBusyError):
                logs.away(error)
            if not answered:
                request = Request(scope)
                language.speak(language.preferred(request.headers.get("accept-language", "")))
                reply = error_pages.too_many if isinstance(error, TooBusyError) else error_pages.busy
                await reply(request)(scope, receive, send_named)
