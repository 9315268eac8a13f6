"""The templates' environment: one for pages that are served and for those that are written as files."""

from collections.abc import MutableMapping
from functools import cache
from pathlib import Path
from types import FunctionType, MethodType
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from jinja2.runtime import Context, Macro

from service.core import formats, language, times
from service.web import framing, static_files

TEMPLATES = Path(__file__).resolve().parents[2] / "templates"


class _Context(Context):
    """Calls what templates call as the library does, less the questions about functions and macros that have one answer."""

    def call(self, called: Any, /, *values: Any, **named: Any) -> Any:
        """Return what a function or macro gives; a macro is told first whether it escapes."""
        is_macro = type(called) is Macro
        if not is_macro and (type(called) not in (FunctionType, MethodType) or hasattr(called, "jinja_pass_arg")):
            return super().call(called, *values, **named)
        for ours in ("_loop_vars", "_block_vars"):  # for what is handed the context
            named.pop(ours, None)
        return called(self.eval_ctx, *values, **named) if is_macro else called(*values, **named)


class _Environment(Environment):
    """Gives its names to each template as one plain mapping: the library's looks through two for each part of a page."""

    context_class = _Context

    def make_globals(self, d: MutableMapping[str, Any] | None) -> MutableMapping[str, Any]:
        """Return the names of a template that is loaded; all of the environment's are there by then."""
        return {**self.globals, **(d or {})}


@cache
def environment() -> Environment:
    """Return the one environment, the same for all applications: everything escaped, nothing undefined, each template compiled once in a process."""
    # Escaped whatever the file's name; a template's text never comes from outside.
    templates = _Environment(
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
