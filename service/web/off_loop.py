"""Drives every request by worker threads and back: the innermost of what stands before the routes, and the one place that knows of it."""

import re

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.core import workers
from service.core.workers import Rank, Workers


class OffLoop:
    """Lets routes go into threads by `workers.off_loop`, and has them on the event loop where they speak with the client.

    ``sheets``, ``advice``: the addresses of what is served first and last of those that wait.
    """

    def __init__(self, app: ASGIApp, by: Workers, sheets: re.Pattern[str], advice: re.Pattern[str]) -> None:
        self.app, self.by, self.sheets, self.advice = app, by, sheets, advice

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def receive_on_loop() -> Message:
            await workers.on_loop()
            return await receive()

        async def send_on_loop(message: Message) -> None:
            await workers.on_loop()
            await send(message)

        await self.by.drive(self._run(scope, receive_on_loop, send_on_loop), self._rank(scope))

    async def _run(self, scope: Scope, receive: Receive, send: Send) -> None:
        await self.app(scope, receive, send)

    def _rank(self, scope: Scope) -> Rank:
        if self.sheets.fullmatch(scope["path"]):
            return Rank.SHEET
        if scope["method"] in ("GET", "HEAD"):
            return Rank.READ
        return Rank.ADVICE if self.advice.fullmatch(scope["path"]) else Rank.WRITE
