"""The desk's lists: narrowed by what a shop asks for, said in words, kept from page to page, and saved as they are shown."""

import base64
import csv
import datetime as dt
import io
import json
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlencode

import pytest
from sqlalchemy import update

from service import tables
from service.core import audit, audit_events, paging
from service.core.scopes import AllDealers
from service.mail import outbox
from tests.service import desk_shop
from tests.service.cast import DEALER, OTHER, Member
from tests.service.desk_shop import CLARA, Shop
from tests.service.page import Page

EVE = dt.datetime(2026, 3, 1, 23, 30, tzinfo=dt.UTC)
"""On the second of March already, by a clock in Vienna."""


@pytest.fixture
def shop(tmp_path: Path, _migrated_file: Path) -> Iterator[Shop]:
    with desk_shop.opened(tmp_path, _migrated_file) as shop:
        shop.in_country("AT")
        yield shop


def names(page: Page) -> list[str]:
    """Return what stands first in each line."""
    return [next(e.text.strip() for e in line.walk() if e.tag == "b") for line in page.all("li", **{"class": "line"})]


def link(page: Page, text: str) -> str:
    """Return where a link leads, empty where there is none of that text."""
    return next((e.get("href") for e in page.all("a") if e.text.strip() == text), "")


def saved(member: Member, page: Page) -> list[list[str]]:
    """Return the lines of the file that a page offers, its head apart."""
    reply = member.get(link(page, "Save what is shown as a file (CSV)"))
    assert reply.headers["content-type"] == "text/csv; charset=utf-8"
    assert reply.headers["content-disposition"].startswith("attachment; ")
    return list(csv.reader(io.StringIO(reply.text.removeprefix("\ufeff"), newline="")))[1:]


def dated(shop: Shop, enquiry: str, at: dt.datetime) -> None:
    with shop.desk.database.writing() as session:
        session.execute(update(tables.Enquiry).where(tables.Enquiry.id == enquiry).values(created_at=at))


def test_enquiries_are_narrowed_in_words_and_saved_as_shown(shop: Shop) -> None:
    by_name = {}
    for name, changes in (
        ("Anna Eder", {"instrument": "cello", "hold": None}),
        ("=Bela Frei", {}),
        ("Cora Graf", {"trial": {"minutes": 60, "place": "post"}}),
    ):
        by_name[name] = shop.enquire({**CLARA, "name": name}, **changes)
    shop.compose(enquiry=by_name["Cora Graf"])
    dated(shop, by_name["=Bela Frei"], EVE)
    whole = shop.adviser.read("/desk/enquiries?show=all")
    assert "Enquiries: 3, of them new: 2." in whole.text
    assert names(shop.adviser.read("/desk/enquiries?show=all&order=oldest")) == names(whole)[::-1]
    asked = {
        "show=all&instrument=cello": ["Anna Eder"],
        "show=all&place=post": ["Cora Graf"],
        "show=all&search=bel+f": ["=Bela Frei"],
        "show=all&search=%21": [],
        "since=2026-03-02&until=2026-03-02": ["=Bela Frei"],  # the shop's day, not that of UTC
        "until=2026-03-01": [],
        "search=clara%40bows.example&instrument=double_bass": ["=Bela Frei"],
    }
    for query, found in asked.items():
        page = shop.adviser.read(f"/desk/enquiries?{query}")
        assert names(page) == found, query
        assert [row[2] for row in saved(shop.adviser, page)] == [
            f"'{name}" if name[0] == "=" else name for name in found
        ]
        assert "Shown: " in page.text
        assert names(shop.adviser.read(link(page, "Show all again"))) != found
    assert (
        "From: 2 March 2026; Up to: 2 March 2026"
        in shop.adviser.read("/desk/enquiries?since=2026-03-02&until=2026-03-02").text
    )
    wrong = shop.adviser.read("/desk/enquiries?show=all&instrument=kazoo&since=31.12.&order=x")
    assert len(names(wrong)) == 3
    assert "‘31.12.’ is no day; write it as 2026-11-30." in wrong.text
    assert "Instrument: ‘kazoo’ is none of the list" in wrong.text
    assert saved(shop.desk.sign_in("stranger"), shop.desk.sign_in("stranger").read("/desk/enquiries?show=all")) == []


def test_filters_stay_from_page_to_page_and_the_file_holds_every_page(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    for number in range(5):
        shop.enquire({**CLARA, "name": f"Dora {number}"})
        shop.enquire({**CLARA, "name": f"Emil {number}"})
    monkeypatch.setattr("service.web.list_filters.A_PAGE", 2)
    monkeypatch.setattr("service.web.list_filters.AT_ONCE", 2)
    page = shop.adviser.read("/desk/enquiries?show=all&search=dora&order=oldest")
    file, met = saved(shop.adviser, page), names(page)
    while further := link(page, "Next page"):
        page = shop.adviser.read(further)
        met += names(page)
        assert "Name, mail or telephone: ‘dora’" in page.text
    assert met == [f"Dora {number}" for number in range(5)] == [row[2] for row in file]
    assert paging.A_PAGE == 50


def test_trials_and_players_are_narrowed_and_saved(shop: Shop) -> None:
    shop.compose(contact={**CLARA, "name": "Fritz Huber"})
    shop.compose(contact={**CLARA, "name": "Gerda Ilg"}, copies=["DB-juniper-2"])
    shop.opened(copies=["DB-bramble-3"])
    page = shop.adviser.read("/desk/trials")
    assert "Trials composed here: 3, of them planned: 2, being played: 1." in page.text
    asked = {
        "search=hub": 1,
        "state=open": 1,
        "instrument=violin": 0,
        "outcome=nothing": 3,
        "place=shop": 3,
        "until=2020-01-01": 0,
    }
    for query, count in asked.items():
        page = shop.adviser.read(f"/desk/trials?{query}")
        assert (len(names(page)), len(saved(shop.adviser, page))) == (count, count), query
    (line,) = saved(shop.adviser, shop.adviser.read("/desk/trials?search=hub"))
    assert (line[0], line[3]) == ("1", "Fritz Huber")
    players = shop.adviser.read("/desk/players?search=clara%40bows.example")
    assert sorted(row[0] for row in saved(shop.adviser, players)) == ["Fritz Huber", "Gerda Ilg"]
    assert len(saved(shop.adviser, shop.adviser.read("/desk/players?instrument=double_bass"))) == 3
    assert names(shop.adviser.read("/desk/players?instrument=viola")) == []
    # OWASP ASVS 5.0, 8.2.1: a file is reached by whom its page is, and by nobody else.
    assert shop.desk.sign_in("workshop").get("/desk/players?as=csv").status_code == 403
    stranger = shop.desk.sign_in("stranger", acts_for=OTHER)
    assert stranger.get("/desk/trials?as=csv").text.count("\r\n") == 1
    assert DEALER not in stranger.get("/desk/players?as=csv").text


def cells(page: Page) -> list[str]:
    """Return what stands first in each row of a page's table."""
    rows = [row for body in page.all("tbody") for row in body.walk() if row.tag == "tr"]
    heads = [next(e for e in row.walk() if e.tag == "th") for row in rows]
    return [next((e.text.strip() for e in head.walk() if e.tag == "a"), head.text.strip()) for head in heads]


def test_mail_is_narrowed_and_saved_by_whom_may_hand_out_names(shop: Shop) -> None:
    with shop.desk.database.writing() as session:
        for number, (kind, dealer) in enumerate(
            (("advice", DEALER), ("before_trial", DEALER), ("advice", None), ("advice", OTHER))
        ):
            at = EVE + dt.timedelta(days=number)
            fields = {
                "channel": "mail",
                "about": f"a{number}",
                "language": "en",
                "values": {},
                "message_id": f"m{number}",
            }
            moments = dict.fromkeys(("queued_at", "due_at", "sent_at"), at)
            to = outbox.To(f"Reader{number}@bows.example")
            mailbox = outbox.mailbox_of(session, to)
            session.add(
                tables.OutboxItem(**fields, **moments, kind=kind, dealer=dealer, address=to.address, mailbox=mailbox)
            )
    asked = {
        "": [1, 0],
        "&order=oldest": [0, 1],
        "&kind=advice": [0],
        "&to=reader1%40BOWS.example": [1],
        "&to=reader3%40bows.example": [],
        "&since=2026-03-02&until=2026-03-02": [0],  # the shop's day, not that of UTC
        "&until=2026-03-01": [],
    }
    for query, found in asked.items():
        page = shop.adviser.read(f"/desk/mail?state=sent{query}")
        readers = [f"Reader{number}@bows.example" for number in found]
        assert [row[1] for row in saved(shop.adviser, page)] == readers, query
        assert len(cells(page)) == len(found), query
    owner = shop.desk.sign_in("owner")
    assert [row[1][6] for row in saved(owner, owner.read("/desk/mail?state=sent"))] == ["2", "1", "0"]
    with shop.desk.database.reading() as session:
        given = [each for each in audit.entries(session, AllDealers()).rows if each.did == audit_events.LIST_GIVEN.did]
    assert {(each.who, each.about) for each in given} >= {("adviser@bows.example", "list mail-sent")}


def test_the_record_is_narrowed_and_saved(shop: Shop) -> None:
    key = shop.opened()
    owner, bound = shop.desk.sign_in("owner"), shop.desk.sign_in("strange owner")
    with shop.desk.database.writing() as session:
        audit.record(session, None, audit_events.TABLET_ENROLLED, "tablet 100%_x", dealer=OTHER)
        session.execute(update(tables.AuditEntry).where(tables.AuditEntry.about == "tablet 100%_x").values(at=EVE))
    for query, found in (
        ("did=trial_opened", ["opened a trial"]),
        ("about=tablet+100%25_", ["enrolled a tablet"]),
        ("about=tablet+100_", []),
        ("who=ADVISER%40&did=trial_opened", ["opened a trial"]),
        ("who=nobody%40&did=trial_opened", []),
        ("since=2026-03-02&until=2026-03-02", ["enrolled a tablet"]),
    ):
        page = owner.read(f"/desk/audit?{query}")
        assert [row[2] for row in saved(owner, page)] == found, query
        assert f"Entries: {len(found)}." in page.text, query
    first, *_later = saved(owner, owner.read("/desk/audit?order=oldest"))
    assert first[2] == "enrolled a tablet"
    # In German a trial is looked for by what it is called there, and shown so.
    for typed in ("Bogen", f"bogentest+{key[:4]}", "trial"):
        german = owner.get(f"/desk/audit?did=trial_opened&about={typed}&lang=de").text
        assert f"Bogentest {key}" in german, typed
    # OWASP ASVS 5.0, 8.2.1: what was done at another dealer's is in nobody's file.
    assert "trial" not in bound.get("/desk/audit?as=csv").text.partition("\n")[2]
    # What is kept beside an event is said in German too: names and values.
    with shop.desk.database.writing() as session:
        for did, kept in (
            (audit_events.STATUS_CHANGED, {"was": "in_stock", "now": "sold"}),
            (audit_events.OUTCOME_RECORDED, {"outcome": "kept", "reason": "price", "revision": 2}),
            (audit_events.TIER_DESCRIBED, {"was": {}, "now": {"response": 2}}),
            (audit_events.SENT_AGAIN, {"kind": "follow_up"}),
        ):
            audit.record(session, None, did, "copy X", dealer=OTHER, **kept)
    told = owner.get("/desk/audit?about=copy&lang=de").text
    assert "(vorher: im Bestand; jetzt: verkauft)" in told
    assert "(Ergebnis: behalten; Grund: der Preis; Fassung: 2)" in told
    assert "jetzt: Ansprache 2)" in told
    assert "(Art: Noch der richtige?)" in told
    assert "follow_up" not in told
    assert shop.adviser.get("/desk/audit?as=csv").status_code == 403


def test_the_range_is_narrowed_paged_and_saved(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    workshop = shop.desk.sign_in("workshop")
    everything = names(workshop.read("/desk/range"))
    with shop.desk.database.writing() as session:
        session.add(tables.TierCharacter(tier="bramble", criterion="response", step=2))
    for query, found in (
        ("name=BRAM", ["Bramble"]),
        ("name=%25", []),
        ("instrument=violin", ["Linnet"]),
        ("instrument=double_bass&hold=german&said=yes", ["Bramble"]),
        ("said=no", [name for name in everything if name != "Bramble"]),
    ):
        page = workshop.read(f"/desk/range?{query}")
        assert names(page) == found, query
        assert [row[0] for row in saved(workshop, page)] == found, query
    assert "speaks much sooner" in saved(workshop, workshop.read("/desk/range?name=bramble"))[0]
    assert "no model like that" in workshop.read("/desk/range?name=nobody").root.text
    monkeypatch.setattr("service.web.list_filters.A_PAGE", 1)
    page = workshop.read("/desk/range")
    met = names(page)
    while further := link(page, "Next page"):
        page = workshop.read(further)
        met += names(page)
    assert met == everything


def test_the_stock_is_narrowed_paged_and_saved_and_names_nobody(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    key = shop.compose(copies=["DB-juniper-2"], contact={**CLARA, "name": "Gerda Ilg"})
    with shop.desk.database.writing() as session:
        session.add(tables.Copy(serial="0%_Ω", tier="bramble", hold="german", dealer=OTHER, status="in_stock"))
        session.get_one(tables.Copy, "DB-bramble-3").status = "sold"
    for number, trial in enumerate(shop.desk.sign_in("workshop").read("/desk/stock").all("a")):
        assert "trials/" not in trial.get("href"), number
    asked = {
        "instrument=double_bass&serial=db+JUNIPER": [f"DB-juniper-{number}" for number in range(4)],
        "tier=bramble&order=serial": [f"DB-bramble-{number}" for number in range(3)],
        "status=reserved": ["DB-juniper-2"],
        "serial=%25": [],
        "serial=0%25_%CE%A9": [],  # another dealer's
    }
    for query, found in asked.items():
        page = shop.adviser.read(f"/desk/stock?{query}")
        assert cells(page) == found, query
        assert [row[0] for row in saved(shop.adviser, page)] == found, query
    (line,) = saved(shop.adviser, shop.adviser.read("/desk/stock?status=reserved"))
    assert "Reserved for trial 1" in line[4]
    assert "Gerda" not in " ".join(line) + key
    owner = shop.desk.sign_in("workshop")
    assert [row[0] for row in saved(owner, owner.read(f"/desk/stock?at={OTHER}"))] == ["0%_Ω"]
    assert [row[0] for row in saved(owner, owner.read("/desk/stock?serial=0%25_%CE%A9"))] == ["0%_Ω"]
    (gone,) = saved(shop.adviser, shop.adviser.read("/desk/stock?show=sold&serial=db"))
    assert gone[:2] == ["DB-bramble-3", "Bramble"]
    assert saved(shop.adviser, shop.adviser.read("/desk/stock?show=sold&since=2020-01-01")) == []
    with shop.desk.database.reading() as session:  # nobody is named, so nothing was handed out
        assert audit_events.LIST_GIVEN.did not in {each.did for each in audit.entries(session, AllDealers()).rows}
    monkeypatch.setattr("service.web.list_filters.A_PAGE", 2)
    monkeypatch.setattr("service.web.list_filters.AT_ONCE", 2)
    for order in ("", "?order=serial"):
        page = shop.adviser.read(f"/desk/stock{order}")
        file, met = saved(shop.adviser, page), cells(page)
        while further := link(page, "Next page"):
            page = shop.adviser.read(further)
            met += cells(page)
        assert met == [row[0] for row in file]
        assert len(met) == len(set(met)) == 11


@pytest.mark.parametrize("day", ["0001-01-01", "9999-12-31", "1899-12-31"])
def test_a_day_at_the_calendars_ends_is_left_out_in_words(shop: Shop, day: str) -> None:
    for where in ("/desk/enquiries?show=all", "/desk/mail?state=sent"):
        for name in ("since", "until"):
            assert "is no day" in shop.adviser.read(f"{where}&{name}={day}").text


def test_a_forged_page_of_the_stock_is_none(shop: Shop) -> None:
    for values in (["foo", 1, "a", "b"], [["violin"], 1, "a", "b"], [None, 1, "a", "b"]):
        mark = base64.urlsafe_b64encode(json.dumps(values).encode()).decode()
        assert shop.adviser.get(f"/desk/stock?after={mark}").status_code == 404


@pytest.mark.parametrize("text", ["%", "_", "\N{VIOLIN}", "\x1b[2J\u202e", "a" * 10_000, "'; --", "½ ﬁ"])
def test_whatever_is_typed_is_looked_for_and_steers_nothing(shop: Shop, text: str) -> None:
    shop.compose()
    owner = shop.desk.sign_in("owner")
    for where, name in (
        ("/desk/enquiries?show=all", "search"),
        ("/desk/trials?order=oldest", "search"),
        ("/desk/players?instrument=double_bass", "search"),
        ("/desk/stock?order=serial", "serial"),
        ("/desk/stock?show=sold", "serial"),
        ("/desk/mail?state=sent", "to"),
        ("/desk/audit?order=oldest", "about"),
        ("/desk/audit?order=oldest", "who"),
    ):
        page = owner.read(f"{where}&{urlencode({name: text})}")
        assert "Shown: " in page.text, (where, name)
        assert saved(owner, page) == [], (where, name)
