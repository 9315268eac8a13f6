"""The templates' environment: one for pages that are served and for those that are written as files."""

from collections.abc import Callable, MutableMapping
from functools import cache
from pathlib import Path
from types import FunctionType, MethodType
from typing import Any

import markupsafe
from jinja2 import Environment, FileSystemLoader, StrictUndefined, nodes
from jinja2.compiler import CodeGenerator, Frame
from jinja2.runtime import Context, Macro
from markupsafe import Markup

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


_inner: Callable[[str], str] = vars(markupsafe)["_escape_inner"]


def _escaped(value: Any) -> str:
    """Return what `markupsafe.escape` does, as plain text: what a template gives out is joined, and marked as safe once."""
    kind = type(value)
    return _inner(value) if kind is str else value if kind is Markup else markupsafe.escape(value)


class _Generator(CodeGenerator):
    """Writes templates that escape each value by `_escaped`; the library marks every one as safe by itself, which takes longer than escaping it."""

    def _output_child_pre(self, node: nodes.Expr, frame: Frame, finalize: CodeGenerator._FinalizeInfo) -> None:
        if frame.eval_ctx.volatile or not frame.eval_ctx.autoescape:
            super()._output_child_pre(node, frame, finalize)
        else:
            self.write("environment.escaped(" + (finalize.src or ""))


class _Environment(Environment):
    """Gives its names to each template as one plain mapping: the library's looks through two for each part of a page."""

    context_class = _Context
    code_generator_class = _Generator
    escaped = staticmethod(_escaped)

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
