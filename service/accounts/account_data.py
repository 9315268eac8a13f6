"""What the staff's pages are told: one dataclass a page."""

import datetime as dt
from dataclasses import dataclass

from markupsafe import Markup

from service.web.page_data import Fault, Option, Page, Typed


@dataclass(frozen=True, slots=True, kw_only=True)
class FormPage(Page):
    """A page with one form. ``said``: what was just done; ``faults``: what cannot be used, at the page's head."""

    action: str
    csrf: str
    typed: Typed
    faults: tuple[Fault, ...] = ()
    said: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SignInPage(FormPage):
    """Where the staff sign in; ``next``: the page of the desk that was asked for."""

    next: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PasswordPage(FormPage):
    """Where a link leads that sets a password; ``email``: whose."""

    email: str
    least: int


@dataclass(frozen=True, slots=True, kw_only=True)
class CodePage(FormPage):
    """Where the code of the second factor is asked for; ``next``: the page of the desk that was asked for."""

    next: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ForgottenPage(FormPage):
    """Where a link to set a new password is asked for; ``sent``: it was, and what comes next is said."""

    sent: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class FactorPage(FormPage):
    """One's own second factor.

    Attributes
    ----------
    enrols : an app is being set up: ``secret`` in groups, ``qr`` the same as a picture, ``token`` what the form carries.
    since, codes_left : of the one there is.
    is_required : it cannot be removed, only replaced.
    asks_password : False right after the password was given.
    """

    email: str
    enrols: bool
    has_factor: bool
    since: str
    codes_left: int
    is_required: bool
    asks_password: bool
    secret: str
    token: str
    qr: Markup | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CodesPage(Page):
    """Recovery codes, shown this once; ``file``: where they are to be had as a file."""

    csrf: str
    codes: tuple[str, ...]
    file: str


@dataclass(frozen=True, slots=True)
class SessionLine:
    """One open session or known browser.

    Attributes
    ----------
    value : what the form sends to end it.
    device : browser and system in words; ``network``: from where, empty where it is not known.
    here : the one that asks.
    """

    value: str
    device: str
    network: str
    begun: str
    seen: str
    here: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class AccountPage(FormPage):
    """One's own account: the password, where one is signed in, which browsers are known; ``factor``: since when, empty for none."""

    email: str
    role: str
    least: int
    sessions: tuple[SessionLine, ...]
    browsers: tuple[SessionLine, ...]
    factor: str
    codes_left: int


@dataclass(frozen=True, slots=True)
class UserLine:
    """One account; ``state`` in words; ``own``: the one that asks."""

    id: int
    email: str
    name: str
    role: str
    dealer: str
    state: str
    disabled: bool
    own: bool
    sessions: int


@dataclass(frozen=True, slots=True, kw_only=True)
class UsersPage(FormPage):
    """Every account, and the form for one more. ``link``: a new one-time link and ``link_for`` whom, shown this once."""

    users: tuple[UserLine, ...]
    roles: tuple[Option, ...]
    dealers: tuple[Option, ...]
    link: str = ""
    link_for: str = ""


@dataclass(frozen=True, slots=True)
class TabletLine:
    """One tablet; ``state`` in words."""

    id: str
    name: str
    enrolled: str
    seen: str
    state: str
    revoked: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class TabletsPage(FormPage):
    """The dealer's tablets, and the form for one more. ``code``, ``qr``, ``address``: a new code, shown this once."""

    tablets: tuple[TabletLine, ...]
    code: str
    code_for: str
    address: str
    qr: Markup


@dataclass(frozen=True, slots=True)
class AuditLine:
    """One line of the record."""

    at: dt.datetime
    when: str
    who: str
    dealer: str
    did: str
    about: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AuditPage(Page):
    """The record, newest first; ``older``: the address of the next page, empty on the last."""

    lines: tuple[AuditLine, ...]
    older: str
    newest: bool
    count: str


@dataclass(frozen=True, slots=True)
class DealerLine:
    """A dealer to act for; ``here``: the one acted for now."""

    slug: str
    name: str
    here: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class DealersPage(Page):
    """Which dealer to act for; ``next``: the page of the desk to go on to."""

    csrf: str
    next: str
    dealers: tuple[DealerLine, ...]
