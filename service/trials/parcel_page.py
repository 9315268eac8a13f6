"""What is said of a parcel on its trial's page: where it goes, that it is there, and that its bows may stay longer."""

from functools import partial

from fastapi import APIRouter
from fastapi.responses import Response
from sqlalchemy.orm import Session

from service.core.errors import InvalidInputError
from service.core.language import _
from service.trials import compose_form, parcels
from service.trials.trial_view import Stepped
from service.web.desk_forms import first

router = APIRouter(prefix="/desk/trials/{key}")
_HERE = "#parcel-title"


@router.post("/parcel")
async def describe(at: Stepped) -> Response:
    """Keep where the parcel goes, by whom, and its number."""
    given = {name: first(at.form, name) for name in ("address", "carrier", "number")}
    return at.do(_("Kept with this trial."), partial(parcels.describe, given=given), _HERE)


@router.post("/arrived")
async def arrived(at: Stepped) -> Response:
    """Note that the parcel is with the player."""
    return at.do(_("The parcel has arrived."), parcels.arrived, _HERE)


@router.post("/extend")
async def extend(at: Stepped) -> Response:
    """Let the bows stay longer."""

    def verb(session: Session, user: int, dealer: str, key: str) -> None:
        day = compose_form.day("new_due", first(at.form, "new_due"))
        if day is None:
            raise InvalidInputError([("new_due", _("Say by which day the bows are expected back, as 2026-11-30."))])
        parcels.extend(session, user, dealer, key, day)

    return at.do(_("The bows may stay until then; the player is told where mail was agreed to."), verb, _HERE)
