"""Refusals as problem details (RFC 9457): one shape for every one of them, whoever refuses.

``{"type": "/problems/not_found", "title": "…", "status": 404, "detail": "…", "code": "not_found", "errors": []}``, each of the
``errors`` ``{"path": "tried.0.copy", "code": "not_here", "detail": "…"}``; ``request`` names the request in the log from 500 on.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from service.core.errors import Code, FieldProblem
from service.core.language import N_, _

MEDIA_TYPE: Final = "application/problem+json"
TYPES: Final = "/problems/"
"""Where each type stands in words; a full path, as the RFC has it for a relative reference (3.1.1)."""


@dataclass(frozen=True, slots=True)
class RefusalType:
    """One type of refusal: its usual status, its title, and what it says where nothing more is known; both untranslated."""

    status: int
    title: str
    detail: str


_NOTHING_CHANGED = N_("Nothing was changed.")
KINDS: Final[Mapping[Code, RefusalType]] = {
    Code.MALFORMED: RefusalType(
        400, N_("This request could not be read"), N_("The request is not well formed; please send it again.")
    ),
    Code.KEY_MISSING: RefusalType(
        401,
        N_("This needs a key"),
        N_("Expected a key that opens this, sent as Authorization: Bearer KEY; got none."),
    ),
    Code.KEY_UNKNOWN: RefusalType(
        401,
        N_("This key opens nothing"),
        N_("Expected a key that opens this, sent as Authorization: Bearer KEY; this one is unknown or was revoked."),
    ),
    Code.FORM_EXPIRED: RefusalType(
        403,
        N_("This form has expired"),
        N_("Go back to the page, load it again and send the form once more; nothing was changed."),
    ),
    Code.SIGN_IN_FIRST: RefusalType(403, N_("This is for the staff"), N_("Sign in first.")),
    Code.NOT_ALLOWED: RefusalType(
        403,
        N_("This is not open to you"),
        N_("Your role does not cover this. Whoever looks after the accounts can change that."),
    ),
    Code.WRONG_ORIGIN: RefusalType(
        403,
        N_("This page may not ask"),
        N_("This key works on its dealer’s own pages only; the desk lists their origins under ‘Website’."),
    ),
    Code.SECRET_IN_PAGE: RefusalType(
        403,
        N_("A secret key came from a web page"),
        N_(
            "This key is secret and belongs on a server; it came from a web page. Revoke it and use a website key there."
        ),
    ),
    Code.ADVICE_ONLY: RefusalType(
        403,
        N_("This key is for advice only"),
        N_("This is a website’s key, which is good for advice only; trials need the server’s."),
    ),
    Code.NOT_FOUND: RefusalType(
        404,
        N_("There is nothing at this address"),
        N_("The link may be mistyped, or what it led to is no longer kept."),
    ),
    Code.WRONG_METHOD: RefusalType(
        405, N_("This address does not take that"), N_("The address exists, but not for this method.")
    ),
    Code.TOO_SLOW: RefusalType(
        408,
        N_("This took too long to arrive"),
        N_("The request did not come whole in time, so nothing was changed; please send it again."),
    ),
    Code.NOT_POSSIBLE: RefusalType(409, N_("This cannot be done as things stand"), _NOTHING_CHANGED),
    Code.BOWS_TAKEN: RefusalType(409, N_("Not every bow is free on these days"), _NOTHING_CHANGED),
    Code.ID_TAKEN: RefusalType(
        409, N_("This id stands for something else"), N_("This id is taken; draw a new one for a new trial.")
    ),
    Code.WRONG_STATE: RefusalType(409, N_("The trial is at another stage"), _NOTHING_CHANGED),
    Code.CONTRADICTS_RECORD: RefusalType(409, N_("This contradicts what is on record"), _NOTHING_CHANGED),
    Code.TEST_KEY_SPENT: RefusalType(
        409,
        N_("This test key is used up"),
        N_("A test key makes so many calls and no more; make a new one at the desk, under ‘Website’."),
    ),
    Code.TOO_LARGE: RefusalType(
        413,
        N_("That is too large"),
        N_("Expected at most 256 kB, and from a form at most 32 kB; a questionnaire has a few thousand characters."),
    ),
    Code.WRONG_CONTENT: RefusalType(
        415, N_("This is the wrong kind of content"), N_("Expected JSON, sent as Content-Type: application/json.")
    ),
    Code.WRONG_HOST: RefusalType(
        421,
        N_("This is not the service you asked for"),
        N_("The service does not answer under this name; whoever runs it sets ALLOWED_HOSTS."),
    ),
    Code.INVALID: RefusalType(
        422,
        N_("Some answers cannot be used"),
        N_("Nothing was changed. Mend the fields named here and send it again."),
    ),
    Code.TOO_OFTEN: RefusalType(429, N_("Too many questions at once"), N_("Please wait a moment and ask again.")),
    Code.HEAD_TOO_LARGE: RefusalType(
        431,
        N_("The head of the request is too large"),
        N_("Expected an address and headers of at most 16 kB in all, and at most 100 headers."),
    ),
    Code.INTERNAL: RefusalType(
        500,
        N_("Something went wrong on our side"),
        N_("The mistake was recorded and nothing was changed; please try again later."),
    ),
    Code.UNAVAILABLE: RefusalType(
        503, N_("The service cannot answer just now"), N_("Nothing was changed; please try again in a few seconds.")
    ),
    Code.BUSY: RefusalType(
        503, N_("Too many are asking at once"), N_("Nothing was changed. Please try again in a few seconds.")
    ),
}
_USUAL: Final[Mapping[int, Code]] = {KINDS[code].status: code for code in reversed(tuple(KINDS))}


def of_status(status: int) -> Code:
    """Return the usual code of a status: of several the first in `KINDS`."""
    return _USUAL.get(status, Code.MALFORMED if status < 500 else Code.INTERNAL)


def details(
    code: Code,
    detail: str | None = None,
    problems: Sequence[FieldProblem] = (),
    *,
    status: int | None = None,
    request: str = "",
) -> dict[str, Any]:
    """Return the problem as a JSON object in the reader's language; ``status``: where it is not the code's usual one."""
    kind = KINDS[code]
    told = {
        "type": TYPES + code,
        "title": _(kind.title),
        "status": status or kind.status,
        "detail": detail or _(kind.detail),
        "code": str(code),
        "errors": [{"path": each.path, "code": str(each.code), "detail": each.message} for each in problems],
    }
    return told | {"request": request} if request else told
