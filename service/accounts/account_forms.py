"""What the staff's forms share: what was typed, what is wrong with it, passwords given once more, and new ones."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from fastapi import Request
from sqlalchemy.orm import Session

from service.accounts import entering, passwords, securing, users
from service.accounts.entering import Try
from service.accounts.users import Account
from service.core.errors import InvalidInputError
from service.core.language import _
from service.web import refusal_records
from service.web.database_sessions import reading
from service.web.desk_forms import by_field
from service.web.desk_frame import host_of
from service.web.device_requests import client_of
from service.web.kept_forms import SECRET_FIELDS
from service.web.page_data import Fault, FormPage, Typed
from service.web.permissions import Fields, Staff, first


def typed(form: Fields, problems: Mapping[str, str] | None = None) -> Typed:
    """Return what stands in the fields; a password never stands in a page."""
    return Typed(
        {name: list(values) for name, values in form.items() if name not in SECRET_FIELDS}, dict(problems or {})
    )


def faults(problems: Mapping[str, str], anchors: Mapping[str, str] | None = None) -> tuple[Fault, ...]:
    """Return the summary at the head of a page; ``anchors``: the id of a field's control where it is not its name."""
    return tuple(Fault((anchors or {}).get(field, field), sentence) for field, sentence in problems.items())


def form_page(
    title: str,
    action: str,
    csrf: str,
    problems: Mapping[str, str],
    fields: Fields | None = None,
    anchors: Mapping[str, str] | None = None,
) -> FormPage:
    """Return a page of the desk with a form, as it was typed and with what is wrong with it."""
    shown, summary = typed(fields or {}, problems), faults(problems, anchors)
    return FormPage(title=title, action=action, csrf=csrf, typed=shown, faults=summary)


def strangers_page(
    request: Request, title: str, action: str, bound_to: str, problems: Mapping[str, str], fields: Fields | None = None
) -> FormPage:
    """Return the same for somebody who is not signed in; ``bound_to``: what the form's token hangs on."""
    csrf = request.app.state.tokens.make(bound_to)
    return replace(form_page(title, action, csrf, problems, fields), demo=request.app.state.demo)


def require_strangers(request: Request, form: Fields, kind: str, secret: str) -> None:
    """Raise 403 where a stranger's form does not hang on the secret of a cookie or a link; on none, no form does."""
    request.app.state.tokens.require(f"{kind}:{secret}", first(form, "csrf") if secret else "")


@dataclass(frozen=True, slots=True)
class NewPassword:
    """A new password's digest, empty where it cannot be used; then ``problems`` say why by field."""

    digest: str
    problems: Mapping[str, str]


async def new_password(request: Request, form: Fields, account: Account, words: tuple[str, ...] = ()) -> NewPassword:
    """Return the digest of the password in a form, made in a thread, or what is wrong with it."""
    password = first(form, "password")
    personal_words = (account.email, account.name or "", account.dealer or "", host_of(request), *words)
    try:
        await passwords.in_thread(passwords.require_good, password, personal_words)
    except InvalidInputError as error:
        return NewPassword("", by_field(error))
    if first(form, "again") != password:
        return NewPassword("", {"again": _("The two do not agree; type the same password once more.")})
    return NewPassword(await passwords.in_thread(passwords.hash_password, password), {})


@dataclass(frozen=True, slots=True)
class Proof:
    """Whether one's own password was given once more: ``problems`` say by field why not; ``tried`` is the try counted."""

    tried: Try
    problems: Mapping[str, str]


async def proof(request: Request, staff: Staff, form: Fields, field: str = "current") -> Proof:
    """Check one's own password in a field, in a thread; raises 429 where it was tried too often."""
    tried = await entering.try_own(request, staff)
    async with reading(request) as session:
        known = users.credentials(session, staff.email)
    if await passwords.in_thread(passwords.fits, known.digest, first(form, field)):
        return Proof(tried, {})
    return Proof(tried, {field: _("This is not your current password.")})


def code_problems(request: Request, session: Session, user: int, form: Fields, field: str = "proof") -> dict[str, str]:
    """Use the code of the second factor in a field up; return what is wrong with it by field, which is put on record."""
    if securing.code_fits(session, user, first(form, field)):
        return {}
    refusal_records.code(session, user, client_of(request))
    sentence = _(
        "This code is not right, or was used already. Expected the one that the app shows now, or a recovery code."
    )
    return {field: sentence}
