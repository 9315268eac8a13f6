"""A form of the desk tells by its token whose it is and on which page it stands, so that it can be shown again as it was.

The token is the session's own, and after it user and page with a signature over both. The first part alone lets a form
through; the rest only says for whom a form that was not taken is kept, also when the session is gone.
"""

import base64
from collections.abc import Mapping
from urllib.parse import urlencode

from fastapi import Request

from service.web import kept_forms
from service.web.database_sessions import reading, writing
from service.web.kept_forms import UntakenForm

KEPT = "kept"
"""The name in an address of the secret under which a form is kept."""
_LONGEST = 500


def token(request: Request, session: str, user: int) -> str:
    """Return the token of the forms of a page; ``session``: the session's own part."""
    tail = f"{user}~{_packed(_here(request))}"
    return f"{session}~{tail}~{request.app.state.tokens.make(f'form:{tail}')}"


def of_session(form_token: str) -> str:
    """Return the part of a form's token that is the session's own."""
    return form_token.partition("~")[0]


def whose(request: Request, form_token: str) -> tuple[int, str] | None:
    """Return the user and the page of a form; None where the token was not written here."""
    parts = form_token.split("~")
    if len(parts) != 4 or not request.app.state.tokens.fits(f"form:{parts[1]}~{parts[2]}", parts[3]):
        return None
    text = parts[2]
    return int(parts[1]), base64.urlsafe_b64decode(text + "=" * (-len(text) % 4)).decode()


async def keep_typed(request: Request, form: Mapping[str, list[str]]) -> tuple[str, str] | None:
    """Keep a form of somebody whose sign-in has ended; return the address that shows it again and its page, None for no such form."""
    found = whose(request, next(iter(form.get("csrf", ())), ""))
    if found is None:
        return None
    user, page = found
    async with writing(request) as session:
        secret = kept_forms.typed(session, user, request.url.path, form)
    return None if secret is None else (with_secret(page, secret), page)


async def asked_for(request: Request, user: int, digest: str) -> UntakenForm | None:
    """Return the kept form that an address asks for; None where there is none of this user's."""
    secret = request.query_params.get(KEPT, "")
    if not secret or request.method != "GET":
        return None
    async with reading(request) as session:
        return kept_forms.find(session, secret, user, digest)


def with_secret(page: str, secret: str) -> str:
    """Return the address of a page that shows a kept form."""
    return f"{page}{'&' if '?' in page else '?'}{KEPT}={secret}"


def _here(request: Request) -> str:
    """Return the address of the page that is shown, without a kept form's secret; of an answer to a form that form's page."""
    posted = whose(request, getattr(request.state, "form_token", ""))
    if posted is not None:
        return posted[1]
    path = request.url.path
    query = urlencode([pair for pair in request.query_params.multi_items() if pair[0] != KEPT])
    address = f"{path}?{query}" if query else path
    return address if len(address) <= _LONGEST else path


def _packed(text: str) -> str:
    return base64.urlsafe_b64encode(text.encode()).decode().rstrip("=")
