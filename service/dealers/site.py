"""The door of a dealer: on which pages the form may stand, in which colours, and where enquiries are told."""

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Select, select
from sqlalchemy.orm import Session

from service.core import audit, audit_events, zones
from service.core.audit_events import AuditEvent
from service.core.errors import FieldProblem, InvalidInputError, NotFoundError, existing, refuse
from service.core.language import _
from service.core.prepared import prepared
from service.dealers import colours, logos, origins
from service.dealers.colours import FittedColour
from service.mail import addresses, webhooks
from service.tables import Dealer, Door
from service.tables.doors import KEEP_MONTHS
from service.web.page_data import Look

_LONGEST_BOOKING = 300


@dataclass(frozen=True, slots=True)
class DoorInfo:
    """How a dealer's door is set up; see `service.tables.Door`. ``language``: the dealer's."""

    dealer: str
    name: str
    language: str | None
    origins: tuple[str, ...] = ()
    action_colour: str | None = None
    point_colour: str | None = None
    notify: str | None = None
    booking: str | None = None
    webhook: str | None = None
    webhook_number: int = 1
    webhook_renewed_at: dt.datetime | None = None
    keep_months: int = KEEP_MONTHS
    look: Look | None = None

    @property
    def action(self) -> FittedColour | None:
        """The colour of what can be done, as it is used."""
        return colours.fit(self.action_colour) if self.action_colour else None

    @property
    def point(self) -> FittedColour | None:
        """The colour of what is pointed out, as it is used."""
        return colours.fit(self.point_colour) if self.point_colour else None


_PLAIN = (
    *("action_colour", "point_colour", "notify", "booking"),
    *("webhook", "webhook_number", "webhook_renewed_at", "keep_months"),
)
"""Columns of the door that are told as they are kept."""


def read(session: Session, dealer: str) -> DoorInfo:
    """Return a dealer's door, as it is before anything is set where nothing is; raises `NotFoundError` for no dealer."""
    shop = existing(session.get(Dealer, dealer))
    columns = (getattr(Door, name) for name in (*_PLAIN, "origins"))
    row = session.execute(select(*columns).where(Door.dealer == dealer)).mappings().first()
    if row is None:
        return DoorInfo(dealer, shop.name, shop.language)
    kept = dict(row) | {"origins": tuple(row["origins"].split()), "look": look(session, dealer)}
    return DoorInfo(dealer, shop.name, shop.language, **kept)


@dataclass(frozen=True, slots=True)
class Front:
    """What the pages of a dealer say of it; all None of none. ``look``: None where it is the house's own."""

    name: str | None = None
    language: str | None = None
    country: str | None = None
    look: Look | None = None
    set_zone: str | None = None

    @property
    def zone(self) -> str | None:
        """The shop's time zone: as it was set, else its country's; None where neither tells."""
        return self.set_zone or zones.of_country(self.country, dt.datetime.now(dt.UTC).year)


def front(session: Session, dealer: str | None) -> Front:
    """Return what the pages of a dealer say of it, in one statement."""
    row = session.execute(*_front_of(dealer)).first() if dealer else None
    if row is None:
        return Front()
    return Front(row.name, row.language, row.country, _look(dealer or "", *row[3:7]), row.zone)


@prepared
def _front_of(dealer: str) -> Select[*tuple[Any, ...]]:
    look = (Door.action_colour, Door.point_colour, Door.logo_type, Door.changed_at)
    asked = select(Dealer.name, Dealer.language, Dealer.country, *look, Door.zone)
    return asked.outerjoin(Door, Door.dealer == Dealer.slug).where(Dealer.slug == dealer)


def zone(session: Session, dealer: str) -> str | None:
    """Return the shop's time zone, see `Front`."""
    return front(session, dealer).zone


def set_zone(session: Session, user: int | None, dealer: str, name: str) -> None:
    """Set the shop's time zone, empty for its country's; raises `InvalidInputError` at ``zone`` for one that is none."""
    name = name.strip()
    if name and name not in zones.names():
        sentence = _("Got {text}; expected a zone of the list, as Europe/Vienna.")
        raise InvalidInputError([FieldProblem("zone", sentence.format(text=name[:40]))])
    change(session, user, dealer, audit_events.ZONE_SET, zone=name or None)


def set_pages(session: Session, user: int | None, dealer: str, pages: str, action: str, point: str) -> None:
    """Set on which origins the form may stand, and its colours, empty for the house's; raises `InvalidInputError` by ``origins``, ``…_colour``."""
    found, wrong = origins.read_all(pages)
    problems = [FieldProblem("origins", " ".join(wrong))] if wrong else []
    chosen: dict[str, str | None] = {}
    for field, text in (("action_colour", action), ("point_colour", point)):
        chosen[field] = colours.read(text)
        if text.strip() and chosen[field] is None:
            problems.append(
                FieldProblem(field, _("Got {text}; expected a colour such as #1d5b4f.").format(text=text.strip()[:20]))
            )
    refuse(problems)
    change(session, user, dealer, audit_events.WEBSITE_SET, origins=" ".join(found), **chosen)


def set_messages(
    session: Session, user: int | None, dealer: str, *, notify: str, booking: str, webhook: str, keep_months: str
) -> None:
    """Set where enquiries are told, how a trial is booked, how long personal data is kept; raises `InvalidInputError`, each field named."""
    notify, booking, webhook = notify.strip(), " ".join(booking.split()), webhook.strip()
    months = keep_months.strip()
    checks = {
        "notify": _mail_fault(notify),
        "booking": _("Expected at most {most} characters.").format(most=_LONGEST_BOOKING)
        if len(booking) > _LONGEST_BOOKING
        else None,
        "webhook": webhooks.fault(webhook) if webhook else None,
        "keep_months": None
        if months.isascii() and months.isdigit() and 1 <= int(months[:4]) <= 120
        else _("Expected a whole number of months from 1 to 120."),
    }
    problems = [FieldProblem(field, sentence) for field, sentence in checks.items() if sentence]
    refuse(problems)
    where = {"notify": notify or None, "booking": booking or None, "webhook": webhook or None}
    change(session, user, dealer, audit_events.MESSAGES_SET, **where, keep_months=int(months))


def renew_secret(session: Session, user: int | None, dealer: str) -> None:
    """Draw another secret for messages to the dealer's system; the one before signs beside it for some days, unless it is renewed once more."""
    number, now = _row(session, dealer).webhook_number + 1, dt.datetime.now(dt.UTC)
    change(session, user, dealer, audit_events.MESSAGE_SECRET_RENEWED, webhook_number=number, webhook_renewed_at=now)


def put_logo(session: Session, user: int | None, dealer: str, content: bytes) -> None:
    """Keep a logo; raises `InvalidInputError` at ``logo`` where its bytes are none that can be shown."""
    if not content:
        raise InvalidInputError([("logo", _("Choose a picture first."))])
    change(session, user, dealer, audit_events.LOGO_SET, logo_type=logos.check(content), logo=content)


def drop_logo(session: Session, user: int | None, dealer: str) -> None:
    """Keep no logo any more."""
    change(session, user, dealer, audit_events.LOGO_TAKEN_AWAY, logo=None, logo_type=None)


def look(session: Session, dealer: str | None) -> Look | None:
    """Return the look of a dealer's pages, None where it is the house's own."""
    return front(session, dealer).look


def _look(dealer: str, action: str | None, point: str | None, logo_type: str | None, at: dt.datetime) -> Look | None:
    if not (action or point or logo_type):
        return None
    version = f"{round(at.timestamp() * 1e6):x}"
    return Look(dealer, version, has_colours=bool(action or point), has_logo=logo_type is not None)


def stylesheet(session: Session, dealer: str) -> str:
    """Return the dealer's colours as a style sheet that is read after the house's own; raises `NotFoundError`."""
    info = read(session, dealer)
    used = [(name, fitted) for name, fitted in (("spruce", info.action), ("rosin", info.point)) if fitted]
    text_colours = {"spruce": ("on-spruce", colours.LIGHT.words, colours.DARK.words)}

    def block(which: Callable[[FittedColour], str], words: int) -> str:
        lines = [f"--{name}: {which(fitted)};" for name, fitted in used]
        on_them = (text_colours[name] for name, _fitted in used if name in text_colours)
        return " ".join([*lines, *(f"--{each[0]}: {each[words]};" for each in on_them)])

    black = " ".join(f"--{name}: #000;" for name, _fitted in used)
    return (
        f":root {{ {block(lambda each: each.light, 1)} }}\n"
        f"@media (prefers-color-scheme: dark) {{ :root:where(:not([data-scheme])) {{ {block(lambda each: each.dark, 2)} }} }}\n"
        f"@media print {{ :root {{ {black} }} }}\n"
    )


def logo(session: Session, dealer: str) -> tuple[bytes, str]:
    """Return the dealer's logo and its media type; raises `NotFoundError` where there is none."""
    found = session.execute(select(Door.logo, Door.logo_type).where(Door.dealer == dealer)).first()
    if found is None or found[0] is None or found[1] is None:
        raise NotFoundError
    return found[0], found[1]


def origins_of(session: Session, dealer: str) -> tuple[str, ...]:
    """Return on which origins a dealer's form may stand."""
    found = session.scalar(select(Door.origins).where(Door.dealer == dealer))
    return tuple((found or "").split())


def is_known_origin(session: Session, origin: str) -> bool:
    """Say whether some dealer's pages are at an origin."""
    # A line of origins is short and every dealer has one: no index is worth its keep.
    lines = session.scalars(select(Door.origins).where(Door.origins.contains(origin, autoescape=True)))
    return any(origin in line.split() for line in lines)


def change(session: Session, user: int | None, dealer: str, did: AuditEvent, **values: Any) -> None:
    """Set columns of the door and write down that it was done; which address or colour is nobody else's business."""
    row = _row(session, dealer)
    for name, value in values.items():
        setattr(row, name, value)
    row.changed_at = dt.datetime.now(dt.UTC)
    session.flush()
    audit.record(session, user, did, f"dealer {dealer}", dealer=dealer)


def _row(session: Session, dealer: str) -> Door:
    """Return the dealer's door, made where there is none yet; the dealer's row is held, so that two make one."""
    held = select(Dealer.slug).where(Dealer.slug == dealer).with_for_update(key_share=True)
    if session.scalar(held) is None:
        raise NotFoundError
    row = session.get(Door, dealer, populate_existing=True)
    if row is None:
        row = Door(dealer=dealer, origins="", changed_at=dt.datetime.now(dt.UTC))
        session.add(row)
        session.flush()
    return row


def _mail_fault(address: str) -> str | None:
    if not address:
        return None
    try:
        addresses.parse(address)
    except addresses.UnusableAddressError as unusable:
        return str(unusable)
    return None
