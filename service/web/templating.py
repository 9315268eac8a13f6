"""The templates' environment: one for pages that are served and for those that are written as files."""

from functools import cache
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from service.core import formats, language, times
from service.web import framing, static_files

TEMPLATES = Path(__file__).resolve().parents[2] / "templates"


@cache
def environment() -> Environment:
    """Return the one environment, the same for all applications: everything escaped, nothing undefined, each template compiled once in a process."""
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
    framing.install(templates)
    static_files.install(templates)
    templates.filters["moment"] = times.moment
    return templates
