"""The form's pages: a start, six steps, and the way from the last one to the answer. Nothing here needs a script.

A step's post is answered by a redirect, so that reload and back never send it twice; one with faults leads to the step
again, with the faults at its head.
"""

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response
from sqlalchemy.orm import Session
from starlette.exceptions import HTTPException

from service.core import language
from service.core.language import _
from service.dealers import site
from service.form import drafts, result, step_pages
from service.questionnaire import tried_fields
from service.web import costs, framing, handed_back, refused_forms
from service.web.bodies import Form, Posted, first
from service.web.database_sessions import Reading, Writing
from service.web.device_requests import client_of, not_too_often
from service.web.page_data import FormPage, Typed
from service.web.rendering import render

router = APIRouter()
costs.declare(
    {
        "GET /": costs.PAGE,
        "POST /form": costs.PAGE,
        "GET /form/{address}": costs.SMALL,
        "GET /form/{address}/{name}": costs.PAGE,
        # The last step works out the advice, and has the limit of the count as well.
        "POST /form/{address}/{name}": 2 * costs.PAGE,
    }
)
router.include_router(result.router)
BEGINNING = "begin"
"""What the start page's token is bound to: there is no draft yet."""
_OURS = ("csrf", "go", "lang")


@router.get("/")
async def start(request: Request, session: Reading, dealer: str = "") -> Response:
    """Say in one paragraph what this is, and offer to begin."""
    shop = site.front(session, dealer)
    name = shop.name
    language.stand_in(shop.language)
    notice = _("The dealer in this link is not known here, so the whole range is looked at.")
    page = FormPage(
        title=_("Which bow should you try?"),
        dealer=name,
        demo=request.app.state.demo,
        look=shop.look,
        csrf=request.app.state.tokens.make(BEGINNING),
        typed=Typed({}, {}),
    )
    slug, said = dealer if name else "", notice if dealer and not name else ""
    return render(request, "form/start.html", page, slug=slug, notice=said)


@router.post("/form")
async def begin(request: Request, form: Form, session: Writing) -> Response:
    """Begin a draft and show its first step."""
    request.app.state.tokens.require(BEGINNING, first(form, "csrf"))
    language.carry_on(first(form, "lang"))
    _not_too_often(request)
    dealer = first(form, "dealer")
    draft = drafts.begin(session, dealer if drafts.dealer_name(session, dealer) else None)
    return _see(f"/form/{draft.address}/{draft.step}")


@router.get("/form/{address}")
async def resume(address: str, session: Reading) -> Response:
    """Go on where the reader left off."""
    draft = _known(drafts.find(session, address))
    return _see(result.link(session, draft) if draft.finished else f"/form/{address}/{draft.step}")


@router.get("/form/{address}/{name}")
async def ask(request: Request, address: str, name: str, session: Reading, check: str = "", then: str = "") -> Response:
    """Show one step with what stands in its fields; with ``check`` what is wrong with them too."""
    draft = _known(drafts.find(session, address))
    language.carry_on(draft.language)
    _page_named(name)
    if draft.finished:
        return _see(result.link(session, draft))
    if draft.instrument is None and name != step_pages.INSTRUMENT:
        return _see(f"/form/{address}/{step_pages.INSTRUMENT}")
    if name == step_pages.TRIED and not step_pages.asks_tried(draft):
        return _see(f"/form/{address}/{step_pages.OWN_BOW}")
    if check and name == step_pages.CONTACT:
        draft = drafts.answered(
            draft, step_pages.step_of(name), handed_back.handed_back(request, address) or draft.fields(name)
        )
    faults = drafts.faults(session, draft, step_pages.step_of(name)) if check else {}
    return _show(request, session, draft, name, faults, checking=bool(then))


@router.post("/form/{address}/{name}")
async def answer(request: Request, address: str, name: str, form: Form, session: Writing, then: str = "") -> Response:
    """Keep what was typed and go on, back, to the step that is to be changed, or to the answer."""
    request.app.state.tokens.require(address, first(form, "csrf"))
    language.carry_on(first(form, "lang"))
    draft = _known(drafts.claim(session, address))
    _page_named(name)
    if draft.finished:
        return _see(result.link(session, draft))
    rows = step_pages.rows_asked_for(first(form, "go")) if name == step_pages.TRIED else None
    draft = drafts.answered(draft, step_pages.step_of(name), _fields(draft, name, form, rows))
    elsewhere = _led_elsewhere(session, draft, form, name, then)
    if elsewhere is not None:
        return elsewhere
    if name == step_pages.TRIED:
        settled, faults = drafts.with_bows_settled(session, draft)
        draft = draft if faults else settled
    else:
        faults = drafts.faults(session, draft, step_pages.step_of(name))
    if step_pages.needs_bass_page(draft, faults, name):
        return _go_to(session, draft, step_pages.BASS, step_pages.CHECKING if then else "")
    if faults:
        return _refused(request, session, draft, name, faults, then)
    if name == step_pages.CONTACT:
        _not_too_often(request)
        costs.charge(request, costs.ADVICE)
        return _finish(session, draft, client_of(request))
    return _go_to(session, draft, step_pages.CONTACT if then else step_pages.after(name))


def _led_elsewhere(session: Session, draft: drafts.Draft, form: Posted, name: str, then: str) -> Response | None:
    """Return what a button other than 'Next' leads to, None for 'Next'."""
    rows = step_pages.rows_asked_for(first(form, "go")) if name == step_pages.TRIED else None
    if rows is not None:
        return _go_to(session, draft, step_pages.TRIED, (step_pages.CHECKING if then else "") + rows.anchor)
    page = _asked_for(form, name)
    if not page:
        return None
    return _go_to(session, draft, page, step_pages.CHECKING if _comes_back(form, name, then) else "")


def _refused(
    request: Request, session: Session, draft: drafts.Draft, name: str, faults: dict[str, str], then: str
) -> Response:
    """Lead a browser to the page that says what is wrong, so that its history holds nothing that would be sent again.

    A name without the consent to keep it is not written down here; it goes back to the reader's own browser for minutes. A frame
    has no cookies, so there, and where nothing tells that a browser asks for a page, the post itself is answered.
    """
    drafts.keep(session, draft)
    step = step_pages.step_of(name)
    kept = draft.may_keep(step)
    if not refused_forms.is_navigation(request) or not (kept or framing.framed() is None):
        return _show(request, session, draft, name, faults, checking=bool(then), status=422)
    reply = _see(f"/form/{draft.address}/{name}?check=yes{'&then=check' if then else ''}")
    return reply if kept else handed_back.hand_back(request, reply, draft.address, draft.fields(step))


def _finish(session: Session, draft: drafts.Draft, client: str) -> Response:
    """Go to the answer, or to the first step that has to be mended first."""
    try:
        address = drafts.finish(session, draft, client)
    except drafts.UnfinishedDraftError as unfinished:
        faults = drafts.faults(session, draft, unfinished.step)
        bass = step_pages.needs_bass_page(draft, faults, unfinished.step)
        return _go_to(session, draft, step_pages.BASS if bass else unfinished.step, f"{step_pages.CHECKING}&check=yes")
    return _see(result.path(address))


def _asked_for(form: Posted, name: str) -> str | None:
    """Return the page that a button other than 'Next' leads to."""
    go = first(form, "go")
    return step_pages.before(name) if go == "back" else go if go in step_pages.PLACES else None


def _comes_back(form: Posted, name: str, then: str) -> bool:
    """Say whether 'Next' leads back to the last step from the page that a button leads to."""
    go = first(form, "go")
    return bool(then) if {go, name} == {step_pages.OWN_BOW, step_pages.TRIED} else go in step_pages.PLACES


def _fields(draft: drafts.Draft, name: str, form: Posted, rows: step_pages.Rows | None) -> dict[str, list[str]]:
    """Return a step's fields as typed; the double bass's own page adds to those of the instrument, a button changes the bows tried."""
    fields = {field: values for field, values in form.items() if field not in _OURS}
    if rows is not None:
        return tried_fields.laid_out(fields, without=rows.without, blank=rows.blank)
    return {**draft.fields(step_pages.INSTRUMENT), **fields} if name == step_pages.BASS else fields


def _show(
    request: Request,
    session: Session,
    draft: drafts.Draft,
    name: str,
    faults: dict[str, str],
    checking: bool,
    status: int = 200,
) -> Response:
    shop = site.front(session, draft.dealer)
    frame = step_pages.Frame(
        dealer=shop.name,
        demo=request.app.state.demo,
        csrf=request.app.state.tokens.make(draft.address),
        currencies=drafts.currencies(session, draft.dealer) if name == step_pages.BUDGET else (),
        look=shop.look,
        checking=checking,
    )
    page = step_pages.page_of(name, draft, faults, frame)
    besides = step_pages.besides(name, draft, page.typed, frame)
    return render(request, f"form/{name}.html", page, status, **besides)


def _go_to(session: Session, draft: drafts.Draft, name: str, query: str = "") -> Response:
    drafts.keep(session, drafts.at(draft, name))
    return _see(f"/form/{draft.address}/{name}{query}")


def _not_too_often(request: Request) -> None:
    """Raise 429 where one address begins or finishes more questionnaires than it may ask for advice."""
    not_too_often(client_of(request), request.app.state.advice_limit)


def _see(address: str) -> Response:
    return RedirectResponse(address, 303)


def _known(draft: drafts.Draft | None) -> drafts.Draft:
    if draft is None:
        raise HTTPException(404)
    return draft


def _page_named(name: str) -> None:
    if name not in step_pages.PAGES:
        raise HTTPException(404)
