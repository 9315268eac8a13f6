"""Whether this process lives, and whether the service can answer: for load balancers and whoever watches over it."""

from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import JSONResponse

from service.operations import health
from service.web import api_schema, costs
from service.web.edge import LIVE, READY, READY_TOO

router = APIRouter()
costs.declare(
    {
        # What a load balancer asks for every few seconds, for itself.
        "GET /health/live": costs.SMALL,
        "GET /health/ready": costs.SMALL,
        "GET /healthz": costs.SMALL,
    }
)
_SAID = {"database": "no database", "tables": "no tables", "disk": "no room"}
_READY: dict[int | str, dict[str, Any]] = {
    200: {"model": api_schema.Health, "description": "Ready; a part that needs looking after is named all the same"},
    503: {"model": api_schema.Health, "description": "Not ready: nobody can be answered"},
    **api_schema.errors(400, 500),
}


@router.get(
    LIVE,
    summary="Whether this process lives; asks nothing of the database",
    responses={200: {"model": api_schema.Alive, "description": "It lives"}, **api_schema.errors(400, 500)},
)
async def live() -> JSONResponse:
    """Say so: whoever reads this need not start the process anew."""
    return JSONResponse({"status": "ok"})


@router.get(READY, summary="Whether the service can answer, part by part", responses=_READY)
@router.get(READY_TOO, summary="The same, at its older address", responses=_READY)
async def ready(request: Request) -> JSONResponse:
    """Nothing but words of a fixed list: the address is open. `check` says more."""
    look: health.ReadinessLook = request.app.state.look
    found = await look.findings()
    missing = [each.part for each in found if not each.well and each.part in health.NEEDED]
    told = {"status": _SAID[missing[0]] if missing else "ok"}
    parts = {each.part: "ok" if each.well else "alarm" for each in found}
    return JSONResponse(told | {"parts": parts}, 503 if missing else 200)
