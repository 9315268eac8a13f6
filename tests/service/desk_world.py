"""The desk with one of everything at two dealers, everybody who may look at it, and who of them reaches what."""

import datetime as dt
import re
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import httpx
from sqlalchemy import select
from sqlalchemy.orm import Session

from service import tables
from service.accounts import users
from service.advice import advise
from service.devices import tablets
from service.mail import suppression
from service.questionnaire import forms
from service.questionnaire.composing_fields import Composing
from service.questionnaire.sheet_fields import check_sheet
from service.trials import composing, sheets
from tests.service import cast, tablet_file
from tests.service.cast import DEALER, OTHER, Desk

ROLES = ("adviser", "bound workshop", "workshop", "bound owner", "owner")
"""Every role, bound to a dealer and not; an adviser is always bound. The columns of `REACH`."""
PEOPLE: Mapping[str, tuple[str, str | None]] = {
    **cast.PEOPLE,
    "bound workshop": ("workshop", DEALER),
    "bound owner": ("owner", DEALER),
    "strange workshop": ("workshop", OTHER),
}
ELSEWHERE = {
    "adviser": "stranger",
    "bound workshop": "strange workshop",
    "workshop": "workshop",
    "bound owner": "strange owner",
    "owner": "owner",
}
"""Who has the same role where the things of `DEALER` are another's; the free ones only act for the other."""

OPEN, ANY, OWN, EVERY, NEVER, LED, REFUSED = "*", "a", "o", "e", "n", ">", "-"
"""What `reach` says: no sign-in is asked; nothing of a dealer's is in it; of the own (or acted-for) dealer only, what is
another's is not there; of every dealer; it is there for nobody of this role; led to another page; refused."""
MAY = {
    area: dict(zip(ROLES, cells, strict=True))
    for area, *cells in map(
        str.split,
        """
enquiries   vc  -   -   vc  vc
trials      vc  -   -   vc  vc
players     vc  -   -   vc  vc
stock       vc  vc  vc  vc  vc
range       -   -   vc  -   vc
model       -   v   vc  v   vc
tablets     vc  -   -   vc  vc
mail        vc  -   -   vc  vc
settings    v   -   -   vc  vc
figures     -   -   -   v   v
dealers     -   -   -   vc  vc
users       -   -   -   vc  vc
audit       -   -   -   v   v
retention   -   -   -   vc  vc
""".strip().splitlines(),
    )
}
"""What each of `ROLES` may in each area of the desk: view it, change it, or neither."""
AREAS = {
    "/desk": "trials",
    "/desk/bows": "stock",
    "/desk/calendar": "trials",
    "/desk/calendar/zone": "settings",
    "/desk/compose": "trials",
    "/desk/enquiries/{id_}/data": "players",
    "/desk/enquiries/{id_}/erase": "players",
    "/desk/enquiries/{id_}/player": "players",
    "/desk/overview": "figures",
    "/desk/tiers": "stock",
    "/desk/website": "settings",
} | {f"/desk/{area}": area for area in MAY if area != "settings"}
"""Which area the addresses that begin so belong to, the longest beginning first."""
WITHOUT_SIGN_IN = (
    "/desk/forgotten",
    "/desk/password/{secret}",
    "/desk/sign-in",
    "/desk/sign-in/code",
    "/desk/sign-in/left",
)
OWN_ACCOUNT = ("/desk/account", "/desk/find", "/desk/sign-in/stay", "/desk/sign-out", "/desk/help")
"""Whoever is signed in looks after their own account, reads the help and finds what they may see, whatever their role."""
NOBODYS = ("/desk/bows", "/desk/model/fit", "/desk/range", "/desk/retention/clock", "/desk/tiers")
"""What is no dealer's."""
WHEREVER = ("stock", "model", "users", "audit", "dealers", "retention")
"""Areas in which whoever is bound to no dealer sees every dealer's; in the others everybody acts for one dealer."""
NOT_HERE = {"GET /desk/mail/{ident}": ROLES, "POST /desk/enquiries/{id_}/take": ("adviser", "bound owner")}
"""A mail's text is kept in a folder only, and none is here; an enquiry of no dealer is for those who may act for any."""


def area_of(path: str) -> str:
    """Return the area that a route's path belongs to; one that belongs to none is a gap."""
    beginnings = [each for each in AREAS if path == each or path.startswith(f"{each}/")]
    beginnings = [each for each in beginnings if each != "/desk" or path == "/desk"]
    assert beginnings, f"{path}: say in AREAS which it belongs to"
    return AREAS[max(beginnings, key=len)]


def reach(name: str, method: str, path: str) -> str:
    """Return what one of `ROLES` reaches by a route: said by these tables, not by the service's own."""
    if path in WITHOUT_SIGN_IN:
        return OPEN
    if path.startswith(OWN_ACCOUNT):
        return ANY
    area = area_of(path)
    if ("v" if method == "GET" else "c") not in MAY[area][name]:
        return LED if path == "/desk" else REFUSED
    if path.startswith(NOBODYS):
        return ANY
    if name in NOT_HERE.get(f"{method} {path}", ()):
        return NEVER
    # An owner who is bound to no dealer acts for one, and sees the stock of that one.
    everywhere = area in WHEREVER and "bound" not in name and (area, name) != ("stock", "owner")
    return EVERY if everywhere and name != "adviser" else OWN


@dataclass(frozen=True)
class Things:
    """One of everything that belongs to a dealer: in the places of paths, and what forms name."""

    places: Mapping[str, str]
    trial: str
    copies: tuple[str, ...]
    free: str
    sheet: str
    address: str
    file: bytes


class World:
    """The desk with `Things` of both dealers of the cast."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        with desk.database.writing() as session:
            for name in PEOPLE.keys() - cast.PEOPLE.keys():
                role, dealer = PEOPLE[name]
                account = users.add(session, f"{name.replace(' ', '-')}@bows.example", role, dealer).account
                desk.ids[name] = account.id
            for number in range(4):
                of = {"tier": "bramble", "hold": "german", "dealer": OTHER, "status": "in_stock"}
                session.add(tables.Copy(serial=f"DB-hill-{number}", **of))
        self.things = {
            DEALER: self._things(DEALER, "adviser", ("DB-bramble-0", "DB-juniper-0"), "DB-bramble-1"),
            OTHER: self._things(OTHER, "stranger", ("DB-hill-0", "DB-hill-1"), "DB-hill-2"),
        }

    def _things(self, dealer: str, adviser: str, copies: tuple[str, ...], free: str) -> Things:
        user, enquiry = self.desk.ids[adviser], str(uuid.uuid4())
        answers = {"instrument": "double_bass", "hold": "german", "budget": {"amount": 2600, "currency": "EUR"}}
        with self.desk.database.writing() as session:
            advise.advise(session, forms.check(answers | {"dealer": dealer, "id": enquiry}))
        with self.desk.database.writing() as session:
            asked = {"id": uuid.uuid4(), "answers": answers, "copies": list(copies)}
            on = dt.datetime.now(dt.UTC).date()
            trial = composing.compose(session, user, dealer, Composing.model_validate(asked | {"on": on}))
            theirs = select(tables.Player.key).join(tables.Trial, tables.Trial.player == tables.Player.id)
            player = session.scalars(theirs.where(tables.Trial.key == trial)).one()
            tablet, key = tablets.enrol(session, tablets.make_code(session, user, dealer, "Room"))
            target = users.add(session, f"target-{dealer}@bows.example", "adviser", dealer).account.id
            mail, website_key = mail_of(dealer), tables.ApiKey(digest=_digest(dealer), **_key(dealer))
            session.add_all([mail, website_key])
            session.flush()
            address = f"gone-{dealer}@bows.example"
            session.add(tables.Duty(name=f"erase:{dealer}", begun_at=mail.queued_at, counts={"persons": 3}))
            suppression.mark_bounced(session, self.desk.app.state.mail_service, None, dealer, address)
            sheet = _sheet(session, dealer, trial)
            places = {
                "/desk/bows/files/{secret}": "nobodys-file",
                "/desk/bows/prices/{tier}": "bramble",
                "/desk/enquiries/{id_}": enquiry,
                "/desk/help/{topic}": "start",
                "/desk/mail/{ident}": str(mail.id),
                "/desk/password/{secret}": "nobodys-link",
                "/desk/players/{key}": player,
                "/desk/range/{tier}": "bramble",
                "/desk/tiers/{tier}": "bramble",
                "/desk/stock/{serial}": free,
                "/desk/tablets/{tablet}": tablet.id,
                "/desk/trials/{key}": trial,
                "/desk/trials/{key}/print/{name}": "sheet",
                "/desk/users/{user}": str(target),
                "/desk/website/keys/{key}": website_key.digest,
            }
        file = tablet_file.signed(tablets.file_key(key), tablet.id, "2026-03-02T12:00:00.000Z", [])
        return Things(places, trial, copies, free, sheet, address, file)

    def address(self, path: str, of: str = DEALER, **instead: str) -> str:
        """Return a route's path with a dealer's things in its places; a place without one is a gap."""
        address, places = path, self.things[of].places
        for found in re.finditer(r"\{\w+\}", path):
            place = path[: found.end()]
            assert place in places, f"{place}: say in World what stands there"
            address = address.replace(found[0], instead.get("every") or places[place], 1)
        return address

    def ask(
        self,
        name: str | None,
        method: str,
        address: str,
        token: str | None = None,
        fields: Mapping[str, Any] | None = None,
        *,
        acts_for: str = DEALER,
    ) -> httpx.Response:
        """Ask as one of `PEOPLE`, in a session of its own; a post carries its token unless another is given."""
        member = self.desk.nobody() if name is None else self.desk.sign_in(name, acts_for=acts_for)
        if method == "GET":
            return member.send("GET", address, params=fields) if fields else member.get(address)
        posted = {"csrf": member.csrf if token is None else token, **(fields or {})}
        files = {"file": posted.pop("file")} if "file" in posted else None
        return member.send(method, address, data=posted, files=files)


def _digest(dealer: str) -> str:
    return {DEALER: "a", OTHER: "b"}[dealer] * 64


def _key(dealer: str) -> dict[str, Any]:
    return {"dealer": dealer, "kind": "server", "hint": "aaaa", "made_at": dt.datetime.now(dt.UTC)}


def mail_of(dealer: str | None) -> tables.OutboxItem:
    now = dt.datetime.now(dt.UTC)
    given: dict[str, Any] = {
        "channel": "mail",
        "kind": "before_trial",
        "about": f"a test of {dealer}",
        "dealer": dealer,
        "values": {},
    }
    address = {"address": f"player-{dealer}@bows.example", "language": "en", "message_id": f"<{dealer}@bows.example>"}
    return tables.OutboxItem(**given, **address, queued_at=now, due_at=now, sent_at=now)


def _sheet(session: Session, dealer: str, trial: str) -> str:
    """Keep one sheet of the trial's first place and return its number."""
    letter = session.scalars(
        select(tables.Slot.letter)
        .join(tables.Trial, tables.Trial.id == tables.Slot.trial)
        .where(tables.Trial.key == trial, tables.Slot.position == 1)
    ).one()
    rated = {"revision": 1, "position": 1, "letter": letter, "rater": "player", "ratings": {"overall": 5}}
    given = check_sheet(rated | {"note": None, "rated_at": dt.datetime.now(dt.UTC)})
    sheets.record(session, dealer, trial, f"run-of-{dealer}-1", given, "tablet x")
    return str(session.scalars(select(tables.Sheet.id).order_by(tables.Sheet.id.desc())).first())
