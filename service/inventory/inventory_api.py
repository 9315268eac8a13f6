"""The JSON API's reading of range and stock, for a dealer's own server."""

from typing import Any

from fastapi import APIRouter
from fastapi.responses import JSONResponse
from pydantic import Field

from service.core.paging import Batch
from service.dealers.keyed import FROM_SERVER, ServerReads
from service.inventory import stock
from service.inventory.stock import CopyRow, TierStock
from service.web.api_pages import BY_SERVER, After, Listed, listed, page
from service.web.api_schema import Answer

router = APIRouter()
RANGE, STOCK = "/api/v1/range", "/api/v1/stock"


class TierListed(Answer):
    """A model of the range as this dealer's players find it."""

    tier: str
    name: str
    instrument: str
    holds: list[str]
    grade: int
    price: float | None
    currency: str | None
    note: str | None
    at_hand: int = Field(ge=0, description="bows of it in stock here")


class Range(Listed):
    """A page of the range by slug."""

    tiers: list[TierListed]


class CopyListed(Answer):
    """One bow of the dealer's."""

    copy_: str = Field(alias="copy")
    tier: str
    hold: str | None
    status: str | None = Field(description="in_stock, reserved, on_trial, in_transit, in_repair; null: not known")
    trial: str | None = Field(description="the trial that it is out on, or set aside for next")
    due_back: str | None
    materials: str | None
    mass_g: float | None


class Stock(Listed):
    """A page of the dealer's bows by serial; sold and withdrawn ones are left out."""

    copies: list[CopyListed]


@router.get(
    RANGE,
    summary="The range with the dealer's prices, by slug",
    responses=listed(Range),
    openapi_extra=BY_SERVER,
    dependencies=FROM_SERVER,
)
async def range_(at: ServerReads, after: After = "") -> JSONResponse:
    """List the range."""
    return page(RANGE, "tiers", lambda mark: _tiers(stock.range_page(at.session, at.dealer, mark)), after, at.mark)


@router.get(
    STOCK,
    summary="The dealer's bows and where each is, by serial",
    responses=listed(Stock),
    openapi_extra=BY_SERVER,
    dependencies=FROM_SERVER,
)
async def stock_(at: ServerReads, after: After = "") -> JSONResponse:
    """List the dealer's bows; sold and withdrawn ones are left out."""
    return page(STOCK, "copies", lambda mark: _copies(stock.page(at.session, at.dealer, mark)), after, at.mark)


def _tiers(found: Batch[TierStock]) -> Batch[dict[str, Any]]:
    told = tuple(TierListed.model_fields)
    return found.of({name: getattr(tier, name) for name in told} | {"note": tier.note or None} for tier in found.rows)


def _copies(found: Batch[CopyRow]) -> Batch[dict[str, Any]]:
    return found.of(_copy(bow) for bow in found.rows)


def _copy(bow: CopyRow) -> dict[str, Any]:
    told = {field.alias or name: getattr(bow, field.alias or name) for name, field in CopyListed.model_fields.items()}
    due = bow.due_back.isoformat() if bow.due_back else None
    return told | {"trial": bow.trial[0] if bow.trial else None, "due_back": due}
