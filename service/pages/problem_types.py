"""Each type of refusal in plain words, at the address that a refusal names as its ``type`` (RFC 9457, 3.1.1)."""

from dataclasses import dataclass

from fastapi import APIRouter, Request
from fastapi.responses import Response

from service import problems
from service.errors import Code, NotHere
from service.language import _
from service.pages.contexts import Page
from service.pages.rendering import render

router = APIRouter()


@dataclass(frozen=True, slots=True, kw_only=True)
class ProblemType(Page):
    """One type: ``code`` and ``status`` as programs read them, ``detail`` what it usually says."""

    code: str
    status: int
    detail: str


@router.get(problems.TYPES + "{code}")
async def problem_type(request: Request, code: str) -> Response:
    """Say what one type is."""
    try:
        kind = problems.KINDS[Code(code)]
    except ValueError:
        raise NotHere from None
    page = ProblemType(
        title=_(kind.title), code=code, status=kind.status, detail=_(kind.detail), demo=request.app.state.demo
    )
    return render(request, "errors/type.html", page)
