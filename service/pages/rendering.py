"""Templates to pages: the one place where a template meets a request."""

from collections.abc import Sequence
from typing import Any

from fastapi import Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment

from service.language import spoken


def render(request: Request, template: str | Sequence[str], page: Any, status: int = 200, **more: Any) -> HTMLResponse:
    """Return the page made from ``template`` (of several names the first that exists) and its context ``page``.

    The template sees ``page`` (a dataclass of `service.pages.contexts`), ``lang``, and what else it is given in ``more``.
    """
    templates: Environment = request.app.state.templates
    names = [template] if isinstance(template, str) else list(template)
    text = templates.select_template(names).render(page=page, lang=spoken(), **more)
    return HTMLResponse(text, status)
