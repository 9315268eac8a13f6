"""The model's page as one file that stands alone: styles inside, no script, and nothing that asks the network."""

import os
import secrets
from pathlib import Path

from markupsafe import Markup

from service.core.errors import ConflictError
from service.core.language import spoken
from service.modelling.model_page.model_page_data import ModelPage
from service.web import templating
from service.web.static_files import STATIC_FILES

STYLES = tuple(STATIC_FILES / name for name in ("tokens.css", "style.css", "model.css"))
BEGINNING = "<!doctype html>"
"""What an earlier page begins with; a file that does not is never overwritten."""


def render(page: ModelPage) -> str:
    """Return the whole file's text."""
    # The styles are this program's own files, and must not be escaped.
    style = Markup("\n".join(file.read_text(encoding="utf-8") for file in STYLES))  # noqa: S704 - nothing from outside
    return (
        templating.environment()
        .get_template("modelling/model.html")
        .render(page=page, lang=spoken(), frame="modelling/file.html", style=style)
    )


def write(file: Path, page: ModelPage) -> None:
    """Write the page, wholly or not at all, over an earlier one; raises `ConflictError` where it cannot be, or a file of another kind is there."""
    text = render(page)
    try:
        target = Path(os.path.realpath(file))  # unlike resolve() this never raises on a loop of links
        if target.exists() and not _is_page(target):
            raise ConflictError(f"{file} is there already and is no page; choose another name.")
        _replace(target, text.encode())
    except OSError as error:
        raise ConflictError(f"{file} cannot be written: {error.strerror}.") from None


def _is_page(file: Path) -> bool:
    if not file.is_file():
        return False
    with file.open("rb") as opened:
        return opened.read(len(BEGINNING)).lower() == BEGINNING.encode()


def _replace(target: Path, data: bytes) -> None:
    """Write beside the target and rename, so that nobody ever reads half a page."""
    temporary = target.with_name(f".{target.name}.{secrets.token_hex(4)}")
    try:
        with temporary.open("xb") as opened:
            opened.write(data)
            opened.flush()
            os.fsync(opened.fileno())
        temporary.replace(target)
    finally:
        temporary.unlink(missing_ok=True)
