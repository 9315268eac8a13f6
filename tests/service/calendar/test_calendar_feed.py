"""A shop's trials in the calendar that it has: read by another library (vobject, python-dateutil), revoked, and nobody else's."""

import datetime as dt
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
import vobject

from service import tables
from service.calendar import calendar_feed
from service.core import zones
from service.trials import lifecycle
from tests.service import cast, desk_shop, trial_cast
from tests.service.cast import Desk, Member
from tests.service.desk_shop import Shop, fields_of, form_to
from tests.service.page import Page

HOME = "/desk/calendar"
TODAY = dt.datetime.now(dt.UTC).date()
ADDRESS = re.compile(r"http://[^/\s<]+(/calendar/[0-9a-f]{32}\.[\w-]{32}\.ics)")


@pytest.fixture
def shop(tmp_path: Path, _migrated_file: Path) -> Iterator[Shop]:
    with cast.opened(tmp_path, _migrated_file) as desk:
        yield Shop(desk, desk.sign_in("adviser"))


def draw(member: Member) -> str:
    """Give the calendar an address and return its path."""
    assert member.post(HOME).status_code == 303
    found = ADDRESS.search(member.get(HOME).text)
    assert found
    return found[1]


def entries(desk: Desk, path: str) -> dict[str, Any]:
    """Return the calendar's entries by their words, read by vobject as a calendar program would."""
    reply = desk.nobody().get(path)
    assert reply.status_code == 200
    assert reply.headers["content-type"] == "text/calendar; charset=utf-8"
    calendar = vobject.readOne(reply.text, validate=True)
    return {event.summary.value: event for event in calendar.contents.get("vevent", [])}


def test_a_trial_in_the_shop_is_a_day_that_leads_to_it_and_names_no_player(shop: Shop) -> None:
    key = shop.compose(contact=desk_shop.CLARA)
    path = draw(shop.adviser)
    ((words, event),) = entries(shop.desk, path).items()
    assert words == "Trial 1: double bass, three bows"
    assert (event.dtstart.value, event.dtend.value) == (TODAY, TODAY + dt.timedelta(days=1))
    assert event.url.value.endswith(f"/desk/trials/{key}")
    text = shop.desk.nobody().get(path).text
    assert "Clara" not in text
    assert "clara@" not in text


def test_a_parcel_goes_out_one_day_and_is_due_back_another(shop: Shop) -> None:
    back = TODAY + dt.timedelta(days=9)
    shop.compose(place="post", country="DE", due_back=back.isoformat())
    found = entries(shop.desk, draw(shop.adviser))
    assert {words: event.dtstart.value for words, event in found.items()} == {
        "Parcel of trial 1 goes out: double bass, three bows": TODAY,
        "Parcel of trial 1 is due back: double bass, three bows": back,
    }


def test_what_is_cancelled_goes_and_an_entry_keeps_its_identifier(shop: Shop) -> None:
    kept, gone = shop.compose(copies=trial_cast.BOWS[1:]), shop.compose(copies=trial_cast.BOWS[:1])
    path = draw(shop.adviser)
    before = {event.url.value: event.uid.value for event in entries(shop.desk, path).values()}
    assert len(set(before.values())) == 2
    assert shop.adviser.post(f"/desk/trials/{gone}/cancel").status_code == 303
    after = {event.url.value: event.uid.value for event in entries(shop.desk, path).values()}
    assert after == {url: uid for url, uid in before.items() if url.endswith(kept)}


def test_another_address_ends_the_one_before_and_revoked_there_is_none(shop: Shop) -> None:
    first = draw(shop.adviser)
    second = draw(shop.adviser)
    nobody = shop.desk.nobody()
    assert [nobody.get(path).status_code for path in (first, second)] == [404, 200]
    assert shop.adviser.post(f"{HOME}/revoke").status_code == 303
    assert nobody.get(second).status_code == 404
    assert "has no address yet" in shop.adviser.get(HOME).text


def test_a_guessed_or_changed_address_leads_nowhere(shop: Shop) -> None:
    path = draw(shop.adviser)
    told, _dot, mac = path.removesuffix(".ics").rpartition(".")
    wrong = [
        "/calendar/harbour.ics",
        f"{told}.ics",
        f"{told}.{mac[:-1]}{'A' if mac[-1] != 'A' else 'B'}.ics",
        f"{told[:-1]}{'0' if told[-1] != '0' else '1'}.{mac}.ics",
        "/calendar/%F0%9F%8E%BB.ics",
        f"/calendar/{'a' * 10_000}.ics",
    ]
    nobody = shop.desk.nobody()
    assert {address: nobody.get(address).status_code for address in wrong} == dict.fromkeys(wrong, 404)


def test_nobody_reads_another_dealers_trials(shop: Shop) -> None:
    shop.compose()
    owner = shop.desk.sign_in("owner", acts_for=cast.OTHER)
    assert entries(shop.desk, draw(owner)) == {}
    assert len(entries(shop.desk, draw(shop.adviser))) == 1


def test_what_has_not_changed_is_not_sent_again(shop: Shop) -> None:
    shop.compose(copies=trial_cast.BOWS[1:])
    path = draw(shop.adviser)
    nobody = shop.desk.nobody()
    mark = nobody.get(path).headers["etag"]
    again = nobody.send("GET", path, headers={"if-none-match": mark})
    assert (again.status_code, again.content) == (304, b"")
    for known in (f"W/{mark}", f'"other", {mark}', "*"):
        assert nobody.send("GET", path, headers={"if-none-match": known}).status_code == 304
    shop.compose(copies=trial_cast.BOWS[:1])
    assert nobody.send("GET", path, headers={"if-none-match": mark}).status_code == 200


def test_the_workshop_neither_sees_nor_draws_an_address(shop: Shop) -> None:
    workshop = shop.desk.sign_in("workshop")
    assert workshop.get(HOME).status_code in {403, 404}
    assert workshop.post(HOME).status_code in {403, 404}
    assert "has no address yet" in shop.adviser.get(HOME).text


def test_the_page_says_what_the_address_tells(shop: Shop) -> None:
    draw(shop.adviser)
    page = Page(shop.adviser.get(HOME))
    assert page.faults == []
    assert "No player is named" in page.text


def test_the_calendar_keeps_to_the_standard_line_by_line(shop: Shop) -> None:
    # RFC 5545: 3.1 lines end in CRLF and have at most 75 octets; 3.4 begins and ends; 3.6 version and product once; 3.8.7.2 a stamp in UTC.
    shop.compose()
    raw = shop.desk.nobody().get(draw(shop.adviser)).content
    lines = raw.split(b"\r\n")
    assert (lines[0], lines[-2:]) == (b"BEGIN:VCALENDAR", [b"END:VCALENDAR", b""])
    assert max(map(len, lines)) <= 75
    assert b"\n" not in raw.replace(b"\r\n", b"")
    assert sum(line.startswith(b"VERSION:2.0") for line in lines) == 1
    assert sum(line.startswith(b"PRODID:") for line in lines) == 1
    assert any(re.fullmatch(rb"DTSTAMP:\d{8}T\d{6}Z", line) for line in lines)


def test_a_name_cannot_end_its_line_or_begin_another(shop: Shop) -> None:
    # RFC 5545, 3.3.11: commas, semicolons and ends of lines in a text are escaped.
    with shop.desk.database.writing() as session:
        session.get_one(tables.Dealer, cast.DEALER).name = "Bows, strings; and\rBEGIN:VALARM\n more"
    shop.compose()
    raw = shop.desk.nobody().get(draw(shop.adviser)).content.decode()
    lines = raw.replace("\r\n ", "").split("\r\n")
    assert "\r" not in "".join(lines)
    assert "NAME:Bow trials at Bows\\, strings\\; and BEGIN:VALARM more" in lines
    assert "BEGIN:VALARM" not in lines


def test_a_trial_over_the_hour_that_comes_twice_lasts_as_long_as_it_does(shop: Shop) -> None:
    # RFC 5545, 3.6.1: an end is later than its beginning; 02:30 comes twice on 31 October 2027 in Vienna.
    owner = shop.desk.sign_in("owner")
    assert owner.post(f"{HOME}/zone", {"zone": "Europe/Vienna"}).status_code == 303
    with shop.desk.database.writing() as session:
        trial_cast.compose(session, on="2027-10-31", hour="02:30")
    (event,) = entries(shop.desk, draw(shop.adviser)).values()
    assert event.duration.value == dt.timedelta(minutes=60)
    assert "dtend" not in event.contents


# Hours


def begins(desk: Desk, path: str) -> dt.datetime:
    (event,) = entries(desk, path).values()
    found: dt.datetime = event.dtstart.value
    return found


def composed(shop: Shop, **changes: str) -> httpx.Response:
    """Send the composing page of somebody who stands in the shop, with some fields changed."""
    form = form_to(
        shop.adviser.read("/desk/compose?instrument=double_bass+german&budget=4000&minutes=60"), "/desk/compose"
    )
    return shop.adviser.send("POST", "/desk/compose", data={**fields_of(form), "go": "set", **changes})


def test_an_hour_stands_in_the_shops_time_zone_through_both_changes_of_clocks(shop: Shop) -> None:
    # The IANA database by another reader (python-dateutil, from the feed's own VTIMEZONE): UTC+1 until 28 March 2027, UTC+2 from then on.
    path = draw(shop.adviser)
    owner = shop.desk.sign_in("owner")
    assert owner.post(f"{HOME}/zone", {"zone": "Europe/Berlin"}).status_code == 303
    hours = {}
    for day, bows in (("2027-03-27", trial_cast.BOWS[:1]), ("2027-03-29", trial_cast.BOWS[1:])):
        with shop.desk.database.writing() as session:
            trial_cast.compose(session, on=day, hour="15:30", copies=bows)
    for event in entries(shop.desk, path).values():
        start = event.dtstart.value
        assert (start.hour, start.minute) == (15, 30)
        assert event.duration.value == dt.timedelta(minutes=60)
        hours[start.date().isoformat()] = start.astimezone(dt.UTC).hour
    assert hours == {"2027-03-27": 14, "2027-03-29": 13}


def test_an_hour_that_the_clocks_leave_out_is_refused_in_words(shop: Shop) -> None:
    owner = shop.desk.sign_in("owner")
    assert owner.post(f"{HOME}/zone", {"zone": "Europe/Berlin"}).status_code == 303
    fields = composed(shop, on="2027-03-28", hour="02:30")
    assert fields.status_code == 422
    assert "On 28 March 2027 the clocks go forward: 02:30 does not come." in Page(fields).text


def test_without_a_zone_the_hour_is_the_readers_own(shop: Shop) -> None:
    with shop.desk.database.writing() as session:
        session.get_one(tables.Dealer, cast.DEALER).country = "US"
        trial_cast.compose(session, on=TODAY.isoformat(), hour="09:05")
    start = begins(shop.desk, draw(shop.adviser))
    assert (start.tzinfo, start.hour, start.minute) == (None, 9, 5)


def test_the_country_tells_the_zone_where_its_clocks_are_one(shop: Shop) -> None:
    assert [zones.of_country(code, 2027) for code in ("DE", "AT", "IE", "US", "AU", "XX", None)] == [
        "Europe/Berlin",
        "Europe/Vienna",
        "Europe/Dublin",
        *[None] * 4,
    ]


def test_a_zone_of_no_place_is_refused(shop: Shop) -> None:
    owner = shop.desk.sign_in("owner")
    for wrong in ("Middle-earth/Shire", "../etc/passwd", "Etc/GMT+3", "Z" * 10_000):
        reply = owner.post(f"{HOME}/zone", {"zone": wrong})
        assert reply.status_code == 422
        assert "expected a zone of the list, as Europe/Vienna" in Page(reply).text
    assert shop.adviser.post(f"{HOME}/zone", {"zone": "Europe/Vienna"}).status_code in {403, 404}


@pytest.mark.parametrize("wrong", ["25:00", "3 pm", "15:30:00", "-1:00", "🎻"])
def test_what_is_no_hour_is_refused_at_its_field(shop: Shop, wrong: str) -> None:
    reply = composed(shop, on=TODAY.isoformat(), hour=wrong)
    assert reply.status_code == 422
    assert "hour-fault" in reply.text


def test_the_hour_stands_wherever_the_trials_day_does(shop: Shop) -> None:
    key = shop.compose(hour="15:30")
    assert "15:30" in shop.adviser.read(f"/desk/trials/{key}").text
    assert "15:30" in shop.adviser.read("/desk/trials").text
    assert "15:30" in shop.adviser.read("/desk").text


def test_an_address_that_is_guessed_and_one_that_was_revoked_are_answered_as_any_that_is_none(shop: Shop) -> None:
    path = draw(shop.adviser)
    assert shop.adviser.post(f"{HOME}/revoke").status_code == 303
    nobody = shop.desk.nobody()
    answers = [nobody.get(address) for address in (path, "/calendar/nobodys.ics", "/no-such-page")]
    assert {answer.status_code for answer in answers} == {404}
    assert len({re.sub(r'value="[^"]*"|href="[^"]*"', "", answer.text) for answer in answers[:2]}) == 1


def test_whoever_may_see_no_trials_is_shown_no_address(shop: Shop) -> None:
    path = draw(shop.adviser)
    for name, member in {name: shop.desk.sign_in(name) for name in ("adviser", "workshop", "owner")}.items():
        sees_trials = member.get("/desk/trials").status_code == 200
        assert (path in member.get(HOME).text) == sees_trials, name


def test_a_moved_day_is_told_as_the_newer_one_whatever_the_clock_says(shop: Shop) -> None:
    # RFC 5546, 2.1.5: of two tellings of a UID the higher SEQUENCE holds; the stamp, which a clock set back makes older, decides only between equal ones.
    now = dt.datetime.now(dt.UTC)
    with shop.desk.database.writing() as session:
        key = trial_cast.compose(session, on=(TODAY + dt.timedelta(days=5)).isoformat())
    told = []
    for moment in (now, now - dt.timedelta(days=40), now + dt.timedelta(days=40)):
        with shop.desk.database.reading() as session:
            read = vobject.readOne(calendar_feed.feed(session, cast.DEALER, moment, "/desk/trials").decode())
        told.append((read.vevent.uid.value, int(read.vevent.sequence.value), read.vevent.dtstart.value))
        with shop.desk.database.writing() as session:
            when = lifecycle.When(told[-1][2] + dt.timedelta(days=1))
            lifecycle.move(session, None, cast.DEALER, key, when)
    assert len({uid for uid, _sequence, _day in told}) == 1
    assert [sequence for _uid, sequence, _day in told] == [0, 1, 2]
    assert sorted(day for _uid, _sequence, day in told) == [day for _uid, _sequence, day in told]
