"""The stock cared for: bows added, corrected and taken out again, prices set. Each is refused and taken as the files are."""

from dataclasses import replace
from typing import Annotated

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response
from sqlalchemy.orm import Session

from service.accounts import dealer_list
from service.core.errors import ConflictError, InvalidInputError
from service.core.language import _
from service.core.scopes import AllDealers, OneDealer
from service.inventory import care, care_page
from service.trials import desk_words
from service.web import desk_frame
from service.web.database_sessions import Reading, Writing
from service.web.desk_forms import FormShown, address, all_or_nothing, first, plain_options, refused
from service.web.page_data import Option
from service.web.permissions import Fields, Needs, Posted, Staff
from service.web.roles import Permission

router = APIRouter(prefix="/desk")
Changes = Annotated[Staff, Depends(Needs(Permission.STOCK_CHANGE))]
WORKSHOP = "workshop"


@router.get("/bows/new")
async def ask_for_new(request: Request, staff: Changes, session: Reading, tier: str = "") -> Response:
    """Show the form of a new bow."""
    usual = {"tier": [tier], "status": ["in_stock"], "dealer": [staff.dealer or WORKSHOP]}
    return _new(request, staff, session, FormShown(usual))


@router.post("/bows/new")
async def add(request: Request, form: Posted, staff: Changes, session: Writing) -> Response:
    """Add a bow."""
    texts = {name: first(form, name) for name in care.COLUMNS}
    bound = staff.scope.slug if isinstance(staff.scope, OneDealer) else None
    texts["dealer"] = "" if texts["dealer"] == WORKSHOP else texts["dealer"] or bound or ""
    try:
        with all_or_nothing(session):
            serial = care.add(session, staff.user, staff.scope, texts, first(form, "haired"))
    except (InvalidInputError, ConflictError) as why:
        return _new(request, staff, session, refused(form, why))
    return desk_frame.see(request, address("stock", serial), _("{copy} is in the stock.").format(copy=serial))


def _new(request: Request, staff: Staff, session: Session, form: FormShown) -> Response:
    form = replace(form, problems={"haired" if name == "date" else name: said for name, said in form.problems.items()})
    page, choices = care_page.bow_form(_("A new bow"), care_page.NEW, form, care.tiers(session))
    places = [Option(info.slug, info.name) for info in dealer_list.listed(session, staff.scope)]
    if not isinstance(staff.scope, OneDealer):
        places.insert(0, Option(WORKSHOP, _("the workshop")))
    choices |= {"statuses": plain_options({name: desk_words.STATUSES[name] for name in care.NEW_STATUSES})}
    choices |= {"measures": care_page.measures(care.MEASURED), "seen": "", "back": "/desk/stock"}
    told = form.told | {"is_new": True, "places": places}
    return desk_frame.show(request, staff, "inventory/bow_form.html", page, **told, **choices)


@router.get("/stock/{serial}/correct")
async def ask_to_correct(request: Request, serial: str, staff: Changes, session: Reading) -> Response:
    """Show what is known of a bow, to be corrected."""
    return _known(request, staff, session, serial, FormShown({}))


@router.post("/stock/{serial}/correct")
async def correct(request: Request, serial: str, form: Posted, staff: Changes, session: Writing) -> Response:
    """Correct what is known of a bow."""
    texts = {name: first(form, name) for name in care.FACTS}
    try:
        with all_or_nothing(session):
            changed = care.correct(session, staff.user, staff.bows, serial, texts, first(form, "seen"))
    except (InvalidInputError, ConflictError) as why:
        return _known(request, staff, session, serial, refused(form, why))
    said = _("What is known of the bow is corrected.") if changed else _("Nothing was changed: it was so before.")
    return desk_frame.see(request, address("stock", serial), said)


def _known(request: Request, staff: Staff, session: Session, serial: str, form: FormShown) -> Response:
    stored = care.facts(session, staff.bows, serial)
    form = replace(form, fields={**{name: [text] for name, text in stored.items()}, **form.fields})
    title, action = _("Correct {copy}").format(copy=serial), address("stock", serial, "correct")
    page, choices = care_page.bow_form(title, action, form, care.tiers(session))
    choices |= {"statuses": (), "measures": care_page.measures(name for name in care.MEASURED if name in stored)}
    choices |= {"seen": care.written(stored), "back": address("stock", serial)}
    told = form.told | {"is_new": False, "places": ()}
    return desk_frame.show(request, staff, "inventory/bow_form.html", page, **told, **choices)


@router.get("/bows/prices/{tier}")
async def ask_for_price(request: Request, tier: str, staff: Changes, session: Reading, whose: str = "") -> Response:
    """Show what a tier costs here, or of itself (``whose``: own)."""
    return _price(request, staff, session, tier, FormShown({"whose": [whose]}))


@router.post("/bows/prices/{tier}")
async def set_price(request: Request, tier: str, form: Posted, staff: Changes, session: Writing) -> Response:
    """Set a tier's price: the dealer's where one is acted for, else or where that is asked for its own."""
    texts = first(form, "price"), first(form, "currency"), first(form, "seen")
    try:
        with all_or_nothing(session):
            changed = care.set_price(session, staff.user, staff.scope, tier, _whose(staff, form), *texts)
    except InvalidInputError as why:
        return _price(request, staff, session, tier, refused(form, why))
    except ConflictError as why:
        return _price(request, staff, session, tier, refused({**form, "seen": []}, why))
    said = _("The price is set; advice given from now on goes by it.") if changed else _("Nothing was changed.")
    back = address("bows", "prices", tier)
    return desk_frame.see(request, back if _whose(staff, form) or not staff.dealer else f"{back}?whose=own", said)


def _whose(staff: Staff, form: Fields) -> str | None:
    """Return the dealer whose price it is, None for the tier's own, which is the maker's."""
    return None if first(form, "whose") == "own" and isinstance(staff.scope, AllDealers) else staff.dealer


def _price(request: Request, staff: Staff, session: Session, tier: str, form: FormShown) -> Response:
    dealer, prices = _whose(staff, form.fields), care.prices(session, tier, staff.dealer)
    page = care_page.price_form(prices, form, own=dealer is None)
    chooses = staff.dealer is not None and isinstance(staff.scope, AllDealers)
    told = form.told | {"prices": prices, "place": staff.dealer_name if dealer else "", "chooses": chooses}
    return desk_frame.show(request, staff, "inventory/price.html", page, words=care_page, **told)
