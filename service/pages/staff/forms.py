"""What the staff's forms share: how often one may try, what was typed, what is wrong with it, and new passwords."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from fastapi import Request
from starlette.exceptions import HTTPException

from service.access import drawn, passwords
from service.access.users import Account
from service.errors import Invalid
from service.language import _
from service.limits import RateLimit
from service.pages.contexts import Fault, Typed
from service.pages.desk_frame import host_of
from service.pages.guard import Fields, first

SECRET_FIELDS = ("password", "again", "current", "csrf")


def limit_tries(request: Request, email: str) -> None:
    """Raise 429 where one address of the network, or one account from anywhere, was tried too often."""
    by_address: RateLimit = request.app.state.sign_in_limit
    by_account: RateLimit = request.app.state.account_limit
    wait = max(
        by_address.wait(request.client.host if request.client else ""),
        by_account.wait(drawn.digest(email.strip().lower())),
    )
    if wait:
        raise HTTPException(429, headers={"Retry-After": str(math.ceil(wait))})


def typed(form: Fields, problems: Mapping[str, str] | None = None) -> Typed:
    """Return what stands in the fields; a password never stands in a page."""
    return Typed(
        {name: list(values) for name, values in form.items() if name not in SECRET_FIELDS}, dict(problems or {})
    )


def faults(problems: Mapping[str, str], anchors: Mapping[str, str] | None = None) -> tuple[Fault, ...]:
    """Return the summary at the head of a page; ``anchors``: the id of a field's control where it is not its name."""
    return tuple(Fault((anchors or {}).get(field, field), sentence) for field, sentence in problems.items())


def by_field(error: Invalid) -> dict[str, str]:
    """Return the first sentence on each field."""
    found: dict[str, str] = {}
    for problem in error.problems:
        found.setdefault(problem.path, problem.message)
    return found


@dataclass(frozen=True, slots=True)
class NewPassword:
    """A new password's digest, empty where it cannot be used; then ``problems`` say why by field."""

    digest: str
    problems: Mapping[str, str]


async def new_password(request: Request, form: Fields, account: Account, words: tuple[str, ...] = ()) -> NewPassword:
    """Return the digest of the password in a form, made in a thread, or what is wrong with it."""
    password = first(form, "password")
    about = (account.email, account.name or "", account.dealer or "", host_of(request), *words)
    try:
        await passwords.in_thread(passwords.require_good, password, about)
    except Invalid as error:
        return NewPassword("", by_field(error))
    if first(form, "again") != password:
        return NewPassword("", {"again": _("The two do not agree; type the same password once more.")})
    return NewPassword(await passwords.in_thread(passwords.hash_password, password), {})
