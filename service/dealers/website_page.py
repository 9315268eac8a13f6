"""The context of the page: the door as it is set up, in words."""

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field
from html import escape
from typing import Any

from fastapi import Request
from sqlalchemy.orm import Session

from service.accounts import account_forms
from service.core import formats, language
from service.core.language import N_, _
from service.dealers import api_keys, shop_card, site
from service.dealers.api_keys import KeyInfo
from service.dealers.colours import TEXT, FittedColour
from service.dealers.site import DoorInfo
from service.mail import webhooks
from service.web import form_tokens
from service.web.desk_frame import address_of
from service.web.page_data import FormPage, Option, Typed
from service.web.permissions import AtDealer, Fields
from service.web.roles import Permission

ANY = "any"
_ANCHORS = {"logo": "file", "kind": "kind-website"}
KINDS = {api_keys.WEBSITE: N_("website"), api_keys.SERVER: N_("server"), api_keys.TEST: N_("tests")}


@dataclass(frozen=True, slots=True)
class Shown:
    """What the page shows besides the door: a form that was sent and is wrong, or a new key."""

    pages: Fields | None = None
    card: Fields | None = None
    messages: Fields | None = None
    keying: Fields | None = None
    problems: Mapping[str, str] = field(default_factory=dict)
    key: str = ""
    line: str = ANY


def page_of(request: Request, staff: AtDealer, session: Session, shown: Shown) -> tuple[FormPage, dict[str, Any]]:
    """Return the page of the dealer acted for, and by name what stands in it.

    ``line``: what is pasted into the dealer's page, ``line_words`` the words of its link. ``pages``, ``messages``, ``keying``:
    what stands in the fields of the three forms. ``secrets``: sign the messages to the dealer's own system, two while one takes
    the place of another.
    """
    door = site.read(session, staff.dealer)
    code = language.known(shown.line) or ANY
    words = _link_words(door, code)
    may_change = staff.may(Permission.SETTINGS_CHANGE)
    page = FormPage(
        title=_("Website"),
        dealer=staff.dealer_name,
        demo=request.app.state.demo,
        csrf=form_tokens.token(request, staff.csrf, staff.user),
        faults=account_forms.faults(shown.problems, _ANCHORS),
        look=door.look,
        typed=Typed({}, {}),
    )
    return page, {
        "slug": door.dealer,
        "may_change": may_change,
        "line": _line(address_of(request, ""), door.dealer, code, words),
        "line_words": words,
        "line_language": code,
        "line_languages": (Option(ANY, _("The reader’s own")), *(Option(*pair) for pair in language.NAMES.items())),
        "service": address_of(request, ""),
        "origins": door.origins,
        "colours": _colours(door),
        "keys": tuple(api_keys.listed(session, door.dealer)) if may_change else (),
        "secrets": _secrets(request, door) if may_change and door.webhook else (),
        "new_key": shown.key,
        "pages": _typed(shown.pages, _of_pages(door), shown),
        "card": _typed(shown.card, shop_card.fields(session, door.dealer), shown),
        "messages": _typed(shown.messages, _of_messages(door), shown),
        "keying": _typed(shown.keying, {"kind": api_keys.WEBSITE}, shown),
        "logo_fault": shown.problems.get("logo", ""),
    }


def _line(base: str, dealer: str, code: str, words: str) -> str:
    """Return what a dealer pastes: a link that stands where nothing else can, and the script that puts the form there."""
    asked, spoken = ("", "") if code == ANY else (f"&lang={code}", f' data-lang="{code}"')
    link = escape(f"{base}/?dealer={dealer}{asked}")
    loader = escape(f"{base}/static/embed.js")
    return (
        f'<a href="{link}">{escape(words)}</a>'
        f'<script async src="{loader}" data-dealer="{escape(dealer)}"{spoken}></script>'
    )


def _link_words(door: DoorInfo, code: str) -> str:
    with language.using(door.language if code == ANY else code):
        return _("Which bow should you try?")


def _colours(door: DoorInfo) -> tuple[tuple[str, FittedColour], ...]:
    named = ((_("For what can be done"), door.action), (_("For what is pointed out"), door.point))
    return tuple((label, each) for label, each in named if each)


# Words that the template asks for, of one colour or key


def said(colour: FittedColour) -> str:
    """Say what was made of a colour, and why."""
    if not colour.is_corrected:
        return _("Used as it is on light paper; in the dark as {dark}.").format(dark=colour.dark)
    sentence = _(
        "{asked} cannot be read here: its contrast is {ratio} : 1, and words need {least} : 1. "
        "We use {light} on light paper and {dark} in the dark."
    )
    ratio, least = formats.number(colour.ratio), formats.number(TEXT)
    return sentence.format(asked=colour.asked, ratio=ratio, least=least, light=colour.light, dark=colour.dark)


def kind(key: KeyInfo) -> str:
    """Say what a key is for."""
    return _(KINDS[key.kind])


def hint(key: KeyInfo) -> str:
    """Return how a key begins and ends."""
    return f"{api_keys.PREFIXES[key.kind]}…{key.hint}"


def used(key: KeyInfo) -> str:
    """Say when a key was used last."""
    return _("revoked") if key.revoked else formats.day(key.used_on) if key.used_on else _("not yet")


def belongs(key: str) -> str:
    """Say where a new key belongs."""
    said = {
        api_keys.WEBSITE: _("It may stand in your pages; it works there and nowhere else, and for advice only."),
        api_keys.SERVER: _("It is a secret: keep it on your server, out of pages, scripts and mails."),
        api_keys.TEST: _(
            "It is for trying out your program: no bow is set aside, no mail leaves, and our estimate learns nothing from it. Keep it secret all the same."
        ),
    }
    return next(said[kind] for kind, prefix in api_keys.PREFIXES.items() if key.startswith(prefix))


def _secrets(request: Request, door: DoorInfo) -> tuple[str, ...]:
    """Return the secrets that sign messages, the one to set up first."""
    keys, now = request.app.state.mail_service.secrets, dt.datetime.now(dt.UTC)
    return webhooks.valid_secrets(keys, door.dealer, door.webhook_number, door.webhook_renewed_at, now)


def _of_pages(door: DoorInfo) -> dict[str, str]:
    colours = {name: getattr(door, name) or "" for name in ("action_colour", "point_colour")}
    return {"origins": "\n".join(door.origins), **colours}


def _of_messages(door: DoorInfo) -> dict[str, str]:
    return {name: str(getattr(door, name) or "") for name in ("notify", "booking", "webhook", "keep_months")}


def _typed(sent: Fields | None, stored: dict[str, str], shown: Shown) -> Typed:
    """Return what stands in a form's fields: as sent where that was wrong, else as stored."""
    if sent is None:
        return Typed({name: [value] for name, value in stored.items()}, {})
    return account_forms.typed(sent, dict(shown.problems))
