"""Templates to pages: the one place where a template meets a request."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from fastapi import Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined

from service import formats, language

TEMPLATES = Path(__file__).resolve().parents[2] / "templates"
LANGUAGE = "en"


def environment() -> Environment:
    """Return the templates' environment: everything escaped, nothing undefined, filters and gettext in place."""
    # Escaped whatever the file's name; a template's text never comes from outside.
    templates = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )
    language.install(templates)
    formats.install(templates)
    return templates


def render(request: Request, template: str | Sequence[str], page: Any, status: int = 200) -> HTMLResponse:
    """Return the page made from ``template`` (of several names the first that exists) and its context ``page``.

    The template sees ``page`` (a dataclass of `service.pages.contexts`) and ``lang``.
    """
    templates: Environment = request.app.state.templates
    names = [template] if isinstance(template, str) else list(template)
    text = templates.select_template(names).render(page=page, lang=LANGUAGE)
    return HTMLResponse(text, status)
