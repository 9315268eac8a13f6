"""Each type of refusal in plain words, at the address that a refusal names as its ``type`` (RFC 9457, 3.1.1)."""

from fastapi import APIRouter, Request
from fastapi.responses import Response

from service.core import problems
from service.core.errors import Code, NotFoundError
from service.core.language import _
from service.web import costs
from service.web.page_data import Page
from service.web.rendering import render

router = APIRouter()
costs.declare({"GET /problems/{code}": costs.SMALL})


@router.get(problems.TYPES + "{code}")
async def problem_type(request: Request, code: str) -> Response:
    """Say what one type is."""
    try:
        kind = problems.KINDS[Code(code)]
    except ValueError:
        raise NotFoundError from None
    page = Page(title=_(kind.title), demo=request.app.state.demo)
    return render(request, "web/problem_type.html", page, code=code, number=kind.status, detail=_(kind.detail))
