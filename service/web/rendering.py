"""Templates to pages: the one place where a template meets a request."""

import re
from collections.abc import Sequence
from typing import Any
from urllib.parse import quote, urlencode

from fastapi import Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment

from service.core.language import NAMES, spoken
from service.web.framing import base
from service.web.locale import PARAMETER
from service.web.page_data import Tab

_PLAIN = re.compile(r"[\w./-]{0,200}", re.ASCII)


def render(request: Request, template: str | Sequence[str], page: Any, status: int = 200, **more: Any) -> HTMLResponse:
    """Return the page made from ``template`` (of several names the first that exists) and its context ``page``.

    The template sees ``page`` (a dataclass of `service.web.page_data`), ``lang``, the ``languages`` it could be read in, and
    what else it is given in ``more``.
    """
    templates: Environment = request.app.state.templates
    names = [template] if isinstance(template, str) else list(template)
    text = templates.select_template(names).render(page=page, lang=spoken(), languages=_languages(request), **more)
    return HTMLResponse(text, status)


def _languages(request: Request) -> dict[str, Tab]:
    """Return by language its own name for itself and this page's address in it; what was asked for besides stays in it where it is plain."""
    asked = request.query_params.multi_items()
    rest = [(name, value) for name, value in asked if name != PARAMETER and _PLAIN.fullmatch(name + value)]
    # One slash at its beginning: of two, what follows would be another host (RFC 3986, 4.2).
    path = base() + "/" + quote(request.url.path.lstrip("/"))
    return {
        code: Tab(name, f"{path}?{urlencode([*rest, (PARAMETER, code)])}", code == spoken())
        for code, name in NAMES.items()
    }
