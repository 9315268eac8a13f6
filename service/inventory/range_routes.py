"""The range as its maker describes it. A tier is the maker's and no dealer's: who is bound to a dealer changes nothing of it."""

from typing import Annotated

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response
from sqlalchemy.orm import Session

from model.domain.vocabulary import CRITERIA, STEPS, Criterion
from service.core.errors import ConflictError, InvalidInputError
from service.core.language import _
from service.core.paging import Leaf
from service.inventory import makers_words, range_page
from service.inventory.makers_words import DescribedTier
from service.modelling import versions
from service.questionnaire.choices import CHOOSE
from service.web import desk_frame, list_files, list_filters
from service.web.database_sessions import Reading, Writing
from service.web.desk_forms import FormShown, address, first, refused
from service.web.permissions import Fields, Needs, Posted, Staff
from service.web.roles import Permission

_HOME = "/desk/range"
router = APIRouter(prefix=_HOME)
Views = Annotated[Staff, Depends(Needs(Permission.RANGE_VIEW))]
Changes = Annotated[Staff, Depends(Needs(Permission.RANGE_CHANGE))]


@router.get("")
async def listed(request: Request, staff: Views, session: Reading, after: str = "") -> Response:
    """List the tiers with what is said of each."""
    query = list_filters.read(request.query_params, _HOME, range_page.filters())

    def page_of(session: Session, after: str) -> Leaf[DescribedTier]:
        return makers_words.listing(session, after, query.wanted)

    if query.as_file:
        return list_files.saved(request, staff, "range", range_page.head(), page_of, range_page.cells, names=None)
    page = range_page.listed(page_of(session, after), versions.current(session), query, begins=not after)
    return desk_frame.show(request, staff, "web/desk_list.html", page)


@router.get("/{tier}")
async def show(request: Request, tier: str, staff: Views, session: Reading) -> Response:
    """Show what is said of one tier."""
    return _show(request, staff, session, tier, FormShown({}))


@router.post("/{tier}")
async def say(request: Request, tier: str, form: Posted, staff: Changes, session: Writing) -> Response:
    """Let what is said of a tier be what the form says; a refused form is shown with what was chosen."""
    try:
        changed = makers_words.say(session, staff.user, tier, _steps(form), first(form, "seen"))
    except (InvalidInputError, ConflictError) as why:
        return _show(request, staff, session, tier, refused(form, why))
    said = _("What is said of the model is kept.") if changed else _("Nothing was changed: it was said so before.")
    return desk_frame.see(request, address("range", tier), said)


def _show(request: Request, staff: Staff, session: Session, tier: str, form: FormShown) -> Response:
    page, parts = range_page.view(makers_words.one(session, tier), versions.current(session), form)
    return desk_frame.show(request, staff, "inventory/tier.html", page, **parts, **form.told)


def _steps(form: Fields) -> dict[Criterion, int]:
    """Return the step of each criterion of which something is said; raises `InvalidInputError` where one has no answer, or none of ours."""
    allowed = {"": None} | {str(step): step for step in STEPS}
    given = {criterion: form.get(str(criterion), []) for criterion in CRITERIA}
    wrong = [str(field_name) for field_name, values in given.items() if len(values) != 1 or values[0] not in allowed]
    if wrong:
        raise InvalidInputError([(name, _(CHOOSE)) for name in wrong])
    found = {criterion: allowed[values[0]] for criterion, values in given.items()}
    return {criterion: step for criterion, step in found.items() if step is not None}
