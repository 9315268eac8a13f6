"""Who asks, and whether they may: the dependencies of every page of the desk.

A route names the permission that it needs, never a role, by the type of one parameter, and is handed who is signed in::

    Views = Annotated[AtDealer, Depends(AtDealerNeeds(Permission.TRIALS_VIEW))]
    Runs = Annotated[AtDealer, Depends(AtDealerNeeds(Permission.TRIALS_RUN))]

    @router.get("/desk/trials")
    async def trials(request: Request, staff: Views, session: Reading) -> Response: ...

    @router.post("/desk/trials/{key}/close")
    async def close(request: Request, key: str, staff: Runs, form: Posted, session: Writing) -> Response: ...

`AtDealerNeeds`: of whoever acts for a dealer (``staff.dealer`` is that dealer's slug, ``staff.acting`` its scope). `Needs`: of
anybody's own scope (``staff.scope``). `AnyStaff`: one's own account and the help, open to whoever is signed in. `Posted`: the form's fields,
once its token was found to be this session's own; every route that changes something takes it. `PostedFile`: the same with one
file.
"""

import datetime as dt
import re
from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Annotated
from urllib.parse import quote

from fastapi import Depends, FastAPI, Request
from fastapi.responses import RedirectResponse, Response
from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException

from service.core import dealer_wall, language, times, tokens
from service.core.errors import Code, ForbiddenError, InvalidInputError
from service.core.moments import utc_now
from service.core.scopes import AllDealers, OneDealer, Scope, bound_to
from service.web import bodies, costs, error_pages, form_tokens, roles, security, staff_sessions
from service.web.bodies import typed
from service.web.database_sessions import reading, writing
from service.web.roles import Permission
from service.web.staff_sessions import SignedIn

FIRST, SIGN_IN, CHOOSE = "/desk", "/desk/sign-in", "/desk/dealers"
FACTOR = "/desk/account/factor"
TO_ENROL = dt.timedelta(minutes=15)
"""So long after the password a session is good for setting up the second factor that is asked for, and for nothing else."""
MOST_FIELDS = 400
FILE_NAME = "file.name"
"""Among the fields that come with a file: what it is called where it came from."""
LARGEST_KEPT = 64 * 1024
"""Bytes of a form that is kept for whoever has to sign in first; the longest of the desk has a few thousand."""
_LOCAL = re.compile(r"/desk(?:/[A-Za-z0-9._~%-]+)*(?:\?[A-Za-z0-9._~%&=+-]*)?")

Fields = Mapping[str, list[str]]
first = bodies.first
"""The first value of a field, empty where there is none."""


@dataclass(frozen=True, slots=True)
class Staff:
    """One of the staff, signed in; ``dealer``, ``dealer_name``: slug and name of the dealer acted for, None for none."""

    user: int
    email: str
    name: str  # their name, else their address
    role: str
    dealer: str | None
    dealer_name: str | None
    scope: Scope  # whose things they see and change: of the dealer that the account is bound to, or of every one
    session: str = field(repr=False)  # digest of the session; shown to nobody
    csrf: str = field(repr=False)  # the token that every form of this session carries
    must_enrol: bool = False  # they have to set up a second factor first; until then only its page is open to them

    @property
    def chooses(self) -> bool:
        """Whether they may act for any dealer."""
        return self.may(Permission.DEALERS_CHOOSE) and isinstance(self.scope, AllDealers)

    @property
    def bows(self) -> Scope:
        """Whose bows they see and change: their own scope, narrowed to the dealer acted for where they choose one."""
        return OneDealer(self.dealer) if self.chooses and self.dealer else self.scope

    def may(self, what: Permission) -> bool:
        """Say whether this role, so bound, has a permission."""
        return what in roles.permissions(self.role, self.scope)

    def may_grant(self, role: str, dealer: str | None) -> bool:
        """Say whether they may give, or hand on, a role that is bound to a dealer or to none."""
        return roles.may_grant(self.role, self.scope, role, bound_to(dealer))


@dataclass(frozen=True, slots=True)
class AtDealer(Staff):
    """One of the staff who acts for a dealer."""

    dealer: str
    dealer_name: str

    @property
    def acting(self) -> OneDealer:
        """The scope of the dealer acted for; whoever may act for any sees what is no dealer's yet too."""
        return OneDealer(self.dealer, unassigned=self.chooses)


class SignInRequiredError(Exception):
    """Nobody is signed in."""


class RedirectError(Exception):
    """A page that this person is better led away from; ``address`` is where to."""

    def __init__(self, address: str) -> None:
        self.address = address
        super().__init__(address)


def install(app: FastAPI) -> None:
    """Let an application lead those to the sign-in who are not signed in."""
    app.add_exception_handler(SignInRequiredError, _sign_in_first)
    app.add_exception_handler(RedirectError, _elsewhere)


def cookie_name(request: Request, name: str = "desk") -> str:
    """Return the name of a cookie of the desk; by https it is bound to this host."""
    return security.cookie_name(request, name)


def set_cookie(request: Request, reply: Response, value: str, name: str = "desk", seconds: int | None = None) -> None:
    """Set a cookie that no script reads and no other site's post brings along."""
    reply.set_cookie(
        cookie_name(request, name),
        value,
        max_age=seconds,
        path="/",
        secure=security.is_https(request),
        httponly=True,
        samesite="lax",
    )


def drop_cookie(request: Request, reply: Response, name: str = "desk") -> None:
    """Take a cookie back."""
    reply.delete_cookie(
        cookie_name(request, name), path="/", secure=security.is_https(request), httponly=True, samesite="lax"
    )


def local(address: str) -> str:
    """Return an address of the desk as it is, and the desk's first page for any other (no open redirect: CWE-601)."""
    return address if _LOCAL.fullmatch(address) else FIRST


async def find(request: Request) -> SignedIn | None:
    """Return who is signed in, None where nobody is; nor whoever must set up a second factor first and gave the password too long ago."""
    secret = request.cookies.get(cookie_name(request))
    if not secret:
        return None
    async with reading(request) as session:
        found = staff_sessions.find(session, secret)
    is_over = found is not None and _must_enrol(request, found) and utc_now() - found.created_at >= TO_ENROL
    return None if is_over else found


async def _entering(request: Request) -> AsyncIterator[Staff]:
    """Find who is signed in, and write down after the answer that they were seen."""
    # After it, because by then the route has given the database back, in whichever order it asked for both.
    found = await find(request)
    if found is None:
        costs.charge(request, costs.SMALL)
        raise SignInRequiredError
    if found.language:
        language.speak(found.language)
    times.live_in(found.zone)
    if found.home is not None:
        dealer_wall.stand(found.home)
    request.state.lasts = int(min(found.expires_at - dt.datetime.now(dt.UTC), staff_sessions.IDLE).total_seconds())
    request.state.kept = await form_tokens.asked_for(request, found.user, found.digest)
    try:
        yield _staff(request, found)
    finally:
        if not found.seen_lately:
            await _note_seen(request, found.digest)


def _staff(request: Request, found: SignedIn) -> Staff:
    return Staff(
        user=found.user,
        email=found.email,
        name=found.name or found.email,
        role=found.role,
        dealer=found.dealer,
        dealer_name=found.dealer_name,
        scope=bound_to(found.home),
        session=found.digest,
        csrf=_token(request, found.digest),
        must_enrol=_must_enrol(request, found),
    )


def _token(request: Request, digest: str) -> str:
    token: str = request.app.state.tokens.make(_bound_to(digest))
    return token


def _bound_to(digest: str) -> str:
    return f"desk:{digest}"


def renewed(request: Request, staff: Staff, secret: str) -> Staff:
    """Return the same person in the session of a new cookie's secret."""
    digest = tokens.digest(secret)
    return replace(staff, session=digest, csrf=_token(request, digest), must_enrol=False)


def needs_factor(request: Request, role: str, scope: Scope) -> bool:
    """Say whether the setting asks a role for a second factor; "owners" are all who look after accounts."""
    whose: str = request.app.state.second_factor
    return whose == "all" or (whose == "owners" and Permission.USERS_CHANGE in roles.permissions(role, scope))


def _must_enrol(request: Request, found: SignedIn) -> bool:
    return needs_factor(request, found.role, bound_to(found.home)) and not found.has_factor


async def _note_seen(request: Request, digest: str) -> None:
    async with writing(request) as session:
        staff_sessions.seen(session, digest)


Entering = Annotated[Staff, Depends(_entering)]
"""Whoever gave the right password, also where a second factor has to be set up before anything else."""


async def _any_staff(staff: Entering) -> Staff:
    if staff.must_enrol:
        raise RedirectError(FACTOR)
    return staff


AnyStaff = Annotated[Staff, Depends(_any_staff)]
"""Whoever is signed in."""


@dataclass(frozen=True, slots=True)
class Needs:
    """Asks for one permission, within whatever scope the account has."""

    permission: Permission

    async def __call__(self, request: Request, staff: AnyStaff) -> Staff:
        """Return who is signed in; raises `ForbiddenError` where their role has not the permission."""
        del request
        if not staff.may(self.permission):
            raise ForbiddenError
        return staff


@dataclass(frozen=True, slots=True)
class AtDealerNeeds(Needs):
    """Asks for one permission, of somebody who acts for a dealer."""

    async def __call__(self, request: Request, staff: AnyStaff) -> AtDealer:
        """Return who is signed in with the dealer acted for; who may choose and has not is led to the choice first."""
        if not staff.may(self.permission):
            raise ForbiddenError
        if staff.dealer is None:
            raise RedirectError(CHOOSE + _back(request))
        given = {each.name: getattr(staff, each.name) for each in fields(Staff)}
        return AtDealer(**(given | {"dealer_name": staff.dealer_name or staff.dealer}))


def check_token(request: Request, staff: Staff, token: str) -> None:
    """Raise 403 where a form's token is not this session's own; one that an older key made is, until that is retired."""
    request.app.state.tokens.require(_bound_to(staff.session), form_tokens.of_session(token))


async def _posted(request: Request, staff: AnyStaff) -> Fields:
    most = security.LARGEST_BODY
    form = await bodies.form_fields(request, MOST_FIELDS, largest=most, most_characters=most)
    request.state.form_token = first(form, "csrf")
    check_token(request, staff, first(form, "csrf"))
    return form


async def _posted_entering(request: Request, staff: Entering, form: bodies.Form) -> Fields:
    check_token(request, staff, first(form, "csrf"))
    return form


async def _posted_file(request: Request, staff: AnyStaff) -> tuple[Fields, bytes]:
    async with request.form(max_files=1, max_fields=MOST_FIELDS) as form:
        token, file = form.get("csrf"), form.get("file")
        request.state.form_token = token if isinstance(token, str) else ""
        check_token(request, staff, request.state.form_token)
        fields = {name: [typed(str(form[name]))] for name in form if isinstance(form[name], str)}
        if not isinstance(file, UploadFile):
            return fields, b""
        return fields | {FILE_NAME: [typed(file.filename or "")]}, await file.read()


Posted = Annotated[Fields, Depends(_posted)]
"""The fields of a form of this session."""
PostedEntering = Annotated[Fields, Depends(_posted_entering)]
"""The same for whoever is `Entering`."""
PostedFile = Annotated[tuple[Fields, bytes], Depends(_posted_file)]
"""The fields of a form of this session and the bytes of its one ``file``, empty where none was chosen."""


async def _sign_in_first(request: Request, error: Exception) -> Response:
    del error
    if "text/html" not in request.headers.get("accept", ""):
        return error_pages.answer(request, Code.SIGN_IN_FIRST)
    if request.method == "POST":
        return await _keep(request)
    return RedirectResponse(SIGN_IN + _back(request), 303)


async def _keep(request: Request) -> Response:
    """Keep a form whose session has ended, and lead by the sign-in back to it; one that is nobody's is not kept."""
    try:
        form = await bodies.form_fields(request, MOST_FIELDS, largest=LARGEST_KEPT, most_characters=LARGEST_KEPT)
    except (InvalidInputError, HTTPException):
        return RedirectResponse(SIGN_IN, 303)
    kept = await form_tokens.keep_typed(request, form)
    if kept is None:
        return RedirectResponse(SIGN_IN, 303)
    address, page = kept
    onwards = f"?next={quote(address, safe='')}" if local(page) == page else ""
    return RedirectResponse(f"{SIGN_IN}{onwards}", 303)


async def _elsewhere(request: Request, error: Exception) -> Response:
    del request
    return RedirectResponse(error.address if isinstance(error, RedirectError) else FIRST, 303)


def _back(request: Request) -> str:
    """Return the part of an address that leads back to a page that was asked for; what was posted is not sent again."""
    if request.method not in ("GET", "HEAD"):
        return ""
    path = quote(request.url.path, safe="/~")  # a serial may hold any letter, and the path comes decoded
    address = path + (f"?{request.url.query}" if request.url.query else "")
    return f"?next={quote(address, safe='')}" if local(address) != FIRST else ""
