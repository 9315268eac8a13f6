"""What one of the staff is refused, by role or because it is another's, is put on record, then answered as always."""

from fastapi import FastAPI, Request
from fastapi.responses import Response

from service.core.errors import ForbiddenError, NotFoundError
from service.web import error_pages, permissions, refusal_records
from service.web.database_sessions import writing


def install(app: FastAPI) -> None:
    """Let an application note these refusals."""
    app.add_exception_handler(ForbiddenError, _not_allowed)
    app.add_exception_handler(NotFoundError, _not_here)


async def _not_allowed(request: Request, error: Exception) -> Response:
    await _note(request, 403)
    return await error_pages.not_allowed(request, error)


async def _not_here(request: Request, error: Exception) -> Response:
    await _note(request, 404)
    return await error_pages.not_here(request, error)


async def _note(request: Request, status: int) -> None:
    """Note the route, not the address: what was asked for may be a secret, or nobody's at all."""
    staff = await permissions.find(request) if request.url.path.startswith(permissions.FIRST) else None
    route = getattr(request.scope.get("route"), "path", "")
    if staff is None or not route:
        return
    async with writing(request) as session:
        refusal_records.access(session, staff.user, staff.home, f"{request.method} {route}", status)
