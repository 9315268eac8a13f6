"""The way into the framed form, what is said where it may not be framed, and the parts that make a dealer's look."""

from urllib.parse import urlencode, urlsplit

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response

from service.core.language import _
from service.dealers import embedding, site
from service.form import drafts
from service.web import costs
from service.web.database_sessions import Reading
from service.web.desk_frame import address_of
from service.web.page_data import Page
from service.web.rendering import render

router = APIRouter()
costs.declare(
    {
        "GET /embed/{dealer}": costs.SMALL,
        "GET /embed/{dealer}/{rest:path}": costs.PAGE,
        "GET /embed-look/{dealer}.css": costs.SMALL,
        "GET /embed-logo/{dealer}": costs.SMALL,
    }
)
KEPT = "public, max-age=31536000, immutable"
"""For addresses that change with what they lead to (RFC 9111, 5.2.2; RFC 8246)."""


@router.get("/embed/{dealer}")
async def enter(request: Request, dealer: str, session: Reading) -> Response:
    """Lead a frame to the form, where the origin around it is one of the dealer's; the loader says which that is."""
    asked = request.query_params
    where, code = asked.get("from", ""), asked.get("lang", "")
    known = drafts.dealer_name(session, dealer) is not None
    database = request.app.state.database
    place = embedding.place_for(database, dealer, where, _ours(request), code, asked.get("scheme", ""))
    if place is None or not known:
        return _closed(request, session, dealer, where)
    return RedirectResponse(f"{place.prefix}/", 303)


@router.get("/embed/{dealer}/{rest:path}")
async def closed(request: Request, dealer: str, rest: str, session: Reading) -> Response:
    """Say that nothing is framed at this address: of an origin that was taken from the list, or mistyped."""
    del rest
    return _closed(request, session, dealer, "")


@router.get("/embed-look/{dealer}.css")
async def look(dealer: str, session: Reading) -> Response:
    """Give a dealer's colours."""
    return Response(site.stylesheet(session, dealer), media_type="text/css", headers={"Cache-Control": KEPT})


@router.get("/embed-logo/{dealer}")
async def logo(dealer: str, session: Reading) -> Response:
    """Give a dealer's logo, under the type that its bytes say."""
    content, kind = site.logo(session, dealer)
    return Response(content, media_type=kind, headers={"Cache-Control": KEPT})


def _closed(request: Request, session: Reading, dealer: str, where: str) -> Response:
    name = drafts.dealer_name(session, dealer)
    message = _("The form stands in pages of its dealer only, and {origin} is not on the list that the dealer has set.")
    if not name:
        message = _("There is no dealer of this name here; look at the line that was pasted into the page.")
    page = Page(
        title=_("The form is not shown here"), dealer=name, demo=request.app.state.demo, look=site.look(session, dealer)
    )
    said, form = message.format(origin=where[:100] or _("this page")), "/?" + urlencode({"dealer": dealer})
    status, form = (403, form) if name else (404, "/")
    return render(request, "form/embed_closed.html", page, status, message=said, form=form)


def _ours(request: Request) -> frozenset[str]:
    """Return the origins under which this service is reached: as it was told, and as this request came.

    The Host header is compared here and named nowhere; which names it may hold `service.web.edge` has seen to.
    """
    found = (urlsplit(each) for each in (address_of(request, ""), str(request.base_url)))
    return frozenset(f"{parts.scheme}://{parts.netloc}" for parts in found)
