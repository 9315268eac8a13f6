"""How long a sign-in lasts still, for the page that says so before it ends."""

import datetime as dt

from fastapi import APIRouter, Request
from fastapi.responses import JSONResponse, Response

from service.core.language import _
from service.web import permissions
from service.web.desk_frame import see
from service.web.permissions import AnyStaff

router = APIRouter()
LEFT, STAY = f"{permissions.SIGN_IN}/left", f"{permissions.SIGN_IN}/stay"


@router.get(LEFT)
async def left(request: Request) -> Response:
    """Tell the seconds that are left, 0 where nobody is signed in; asking does not keep a sign-in alive."""
    found = await permissions.find(request)
    seconds = (found.ends_at - dt.datetime.now(dt.UTC)).total_seconds() if found else 0
    return JSONResponse({"seconds": max(0, int(seconds))})


@router.get(STAY)
async def stay(request: Request, staff: AnyStaff) -> Response:
    """Keep a sign-in alive, as any page that is asked for does."""
    del staff
    if "application/json" in request.headers.get("accept", ""):
        return JSONResponse({"seconds": request.state.lasts})
    return see(request, permissions.FIRST, _("You stay signed in."))
