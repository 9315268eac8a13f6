"""The templates' environment: one for pages that are served and for those that are written as files."""

from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from service import formats, framing, language

TEMPLATES = Path(__file__).resolve().parents[1] / "templates"


def environment() -> Environment:
    """Return the environment: everything escaped, nothing undefined, filters and gettext in place."""
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
    return templates
