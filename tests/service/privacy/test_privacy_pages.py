"""The player's data by its links and at the desk: what a GET must not do, what a button does, whom a link opens what."""

import base64
import datetime as dt
import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import select

from service import privacy, tables
from service.mail import addresses
from service.mail.mail_service import MailService
from service.mail.sending import send_waiting
from service.players import data_links
from service.trials import lifecycle, rater_links
from tests.service import cast, desk_shop
from tests.service.cast import DEALER, Desk
from tests.service.client import SECRET
from tests.service.mail_server import rows
from tests.service.page import Page, Reader
from tests.service.privacy_cast import EMAIL, NAME, PHONE, add_all, contact, enquire, rows_of
from tests.service.trial_cast import compose

NOW = dt.datetime.now(dt.UTC)


@pytest.fixture
def desk(tmp_path: Path, _migrated_file: Path) -> Iterator[Desk]:
    with cast.opened(tmp_path, _migrated_file) as desk:
        with desk.database.writing() as session:
            for row in session.scalars(select(tables.OutboxItem)):
                session.delete(row)
            session.add(tables.Door(dealer=DEALER, notify="laden@harbour.example", keep_months=18, changed_at=NOW))
        yield desk


def mail_service(desk: Desk) -> MailService:
    made = desk.app.state.mail_service
    assert isinstance(made, MailService)
    return made


def data_link(desk: Desk, player: str) -> str:
    with desk.database.reading() as session:
        found = data_links.of_person(
            session, mail_service(desk).signer, privacy.of_player(session, DEALER, player), NOW
        )
    assert found is not None
    return found


def erase_link(desk: Desk, data: str, at: dt.datetime = NOW) -> str:
    with desk.database.reading() as session:
        opened = data_links.read(session, mail_service(desk).signer, data_links.DATA, data.removeprefix("/data/"))
        return data_links.to_erase(session, mail_service(desk).signer, opened, at)


def counted(desk: Desk) -> dict[str, int]:
    with desk.database.reading() as session:
        return rows_of(session)


def mailed(desk: Desk, kind: str) -> list[str]:
    """Return the paths that mails of a kind lead to."""
    return [row.values["path"] for row in rows(desk.database) if row.kind == kind]


def add(desk: Desk, *, model: bool = False, over: bool = True) -> str:
    with desk.database.writing() as session:
        return add_all(session, model=model, over=over).player


# The plain page


def test_the_plain_page_says_what_is_kept_how_long_whom_to_ask_and_that_the_law_decides(desk: Desk) -> None:
    reader = Reader(desk.app)
    page = reader.get(f"/privacy?dealer={DEALER}")
    for said in ("18 months after the last contact", "laden@harbour.example", "law of your country", "Three consents"):
        assert said in page.text
    assert "24 months" in reader.get("/privacy").text
    assert "24 months" in reader.get("/privacy?dealer=nobody").text


def test_start_last_step_and_answer_lead_to_it(desk: Desk) -> None:
    reader = Reader(desk.app)
    start = reader.get(f"/?dealer={DEALER}")
    where = f"/privacy?dealer={DEALER}"
    assert where in [link.get("href") for link in start.all("a")]
    page = reader.send(start)
    page = reader.send(page, {"instrument": "violin"})
    while page.all("h1") and "contact" not in page.address:
        page = reader.send(page)
    assert where in [link.get("href") for link in page.all("a")]
    answer = reader.send(page)
    assert answer.address.startswith("/advice/")
    hrefs = [link.get("href") for link in answer.all("a")]
    assert where in hrefs
    own = reader.get(next(href for href in hrefs if href.startswith("/data/")))
    assert own.h1 == "Your data"
    assert "Enquiries" in own.text  # no name was left, so the page shows all there is


def test_asking_for_the_link_tells_nobody_whether_anything_is_kept(desk: Desk) -> None:
    add(desk)
    reader = Reader(desk.app)
    told = []
    for email in (EMAIL.upper(), "nobody@player.example"):
        page = reader.send(reader.get(f"/privacy?dealer={DEALER}"), {"email": email})
        assert "If anything is kept under that address" in page.text
        told.append(page.text)
    assert told[0] == told[1]
    (path,) = mailed(desk, "data_link")
    assert NAME in reader.get(path).text
    wrong = reader.send(reader.get("/privacy"), {"email": "no address"})
    assert wrong.status == 422
    assert "expected one like name@example.org" in wrong.text
    assert reader.request("POST", "/privacy", data={"email": EMAIL}).status_code == 403


# By link


def test_every_mail_to_a_player_leads_to_their_data(desk: Desk) -> None:
    add(desk)
    send_waiting(desk.database, mail_service(desk), lambda: NOW + dt.timedelta(days=60))
    folder = mail_service(desk).folder
    assert folder is not None
    kinds = {row.kind for row in rows(desk.database) if row.address == EMAIL and row.sent_at}
    assert kinds >= {"advice", "after_trial", "follow_up"}
    texts = [file.read_text(encoding="utf-8") for file in folder.path.glob("*.eml")]
    to_player = [text.replace("=\n", "") for text in texts if EMAIL in text]
    assert len(to_player) == len([row for row in rows(desk.database) if row.address == EMAIL and row.sent_at])
    assert all("/data/" in text for text in to_player)


def test_reading_changes_nothing_and_the_file_is_a_download_that_nobody_keeps(desk: Desk) -> None:
    data, before = data_link(desk, add(desk)), counted(desk)
    page = desk.nobody().read(data)
    for told in (NAME, EMAIL, PHONE):
        assert told in page.text
    for name, value in (("cache-control", "no-store"), ("referrer-policy", "no-referrer")):
        assert page.headers[name] == value
    assert "noindex" in page.headers["x-robots-tag"]
    file = desk.nobody().get(f"{data}/download")
    assert file.headers["content-disposition"] == 'attachment; filename="my-data.json"'
    assert file.headers["cache-control"] == "no-store"
    assert json.loads(file.text)["contacts"][0]["email"] == EMAIL
    assert desk.nobody().read(erase_link(desk, data)).h1 == "Erase your data?"
    assert counted(desk) == before


def test_erasure_by_link_needs_a_second_mail_and_a_button(desk: Desk) -> None:
    data, before = data_link(desk, add(desk)), counted(desk)
    reader = Reader(desk.app)
    page = reader.post(data, {})
    assert "A mail is on its way" in page.text
    assert counted(desk) | {"outbox": 0} == before | {"outbox": 0}
    (path,) = mailed(desk, "erasure_link")
    asked = reader.get(path)
    assert "2 trials go with their ratings" in asked.text
    done = reader.post(path, {})
    assert done.h1 == "Your data is erased"
    after = counted(desk)
    assert (after["contacts"], after["enquiries"], after["trials"], after["outbox"]) == (0, 0, 0, 0)
    for address in (data, path, f"{data}/download"):
        assert desk.nobody().get(address).status_code == 404
    assert desk.nobody().send("POST", path).status_code == 404


@pytest.mark.parametrize("hours", [47, 49])
def test_a_link_that_erases_is_good_for_two_days(desk: Desk, hours: int) -> None:
    data, before = data_link(desk, add(desk)), counted(desk)
    path = erase_link(desk, data, NOW - dt.timedelta(hours=hours))
    replies = [desk.nobody().send(method, path) for method in ("GET", "POST")]
    if hours < 48:
        assert [reply.status_code for reply in replies] == [200, 200]
        assert counted(desk)["contacts"] == 0
    else:
        assert [reply.status_code for reply in replies] == [410, 410]
        assert Page(replies[0]).faults == []
        assert "good for two days" in replies[0].text
        assert counted(desk) == before


def test_altered_links_and_those_made_for_something_else_lead_nowhere(desk: Desk) -> None:
    data, before = data_link(desk, add(desk)), counted(desk)
    erase, token = erase_link(desk, data), data.removeprefix("/data/")
    wrong = [data[:-1] + ("A" if data[-1] != "A" else "B"), data + "x", f"/erase/{token}", "/data/...", "/erase/x.y"]
    wrong += [f"/data/{erase.removeprefix('/erase/')}", data.replace("player", "enquiry")]
    for path in wrong:
        for method in ("GET", "POST"):
            assert desk.nobody().send(method, path).status_code == 404, (method, path)
    assert counted(desk) == before


def test_a_link_opens_nothing_once_the_address_it_was_sent_to_is_another(desk: Desk) -> None:
    data = data_link(desk, add(desk))
    with desk.database.writing() as session:
        session.scalars(select(tables.Contact)).one().email = "else@player.example"
    assert desk.nobody().get(data).status_code == 404


def test_the_link_of_an_answer_shows_no_name_and_mails_the_whole_one_to_the_address(desk: Desk) -> None:
    with desk.database.writing() as session:
        enquiry = enquire(session)
    shared = data_links.of_answer(mail_service(desk).signer, enquiry, NOW)
    reader = Reader(desk.app)
    page = reader.get(shared)
    for hidden in (NAME, EMAIL, PHONE):
        assert hidden not in page.source
    assert desk.nobody().get(f"{shared}/download").status_code == 404
    assert desk.nobody().send("POST", shared).status_code == 404
    assert "on its way" in reader.send(page).text
    (path,) = mailed(desk, "data_link")
    assert NAME in reader.get(path).text


def test_a_link_to_ones_data_ends_and_then_only_sends_a_new_one(desk: Desk) -> None:
    """Links handed out by mail have a stated life: 180 days, told by the page; the one before said nothing, and ends too."""
    player = add(desk)
    with desk.database.reading() as session:
        person = privacy.of_player(session, DEALER, player)
        signer, day = mail_service(desk).signer, dt.timedelta(days=1)
        good = data_links.of_person(session, signer, person, NOW - 179 * day)
        over = data_links.of_person(session, signer, person, NOW - 181 * day)
    assert good is not None
    assert over is not None
    assert NAME in Reader(desk.app).get(good).text
    late = desk.nobody().get(over)
    assert late.status_code == 410
    assert NAME not in late.text
    assert "half a year" in late.text
    before = counted(desk)
    for method, path in (("GET", f"{over}/download"), ("POST", over), ("POST", f"{over}/ratings")):
        assert desk.nobody().send(method, path, data={"may_help": "no"}).headers["location"] == over
    assert counted(desk) == before
    sent = desk.nobody().send("POST", f"{over}/link", follow=True)
    assert "on its way" in sent.text
    (new,) = mailed(desk, "data_link")
    assert NAME in Reader(desk.app).get(new).text


def test_a_link_that_was_mailed_before_links_said_their_end_still_opens(desk: Desk) -> None:
    player, signer = add(desk), mail_service(desk).signer
    ident = base64.urlsafe_b64encode(player.encode()).decode().rstrip("=")
    about = f"player.{ident}.{addresses.digest(SECRET, EMAIL)[:16]}"
    assert NAME in Reader(desk.app).get(f"/data/{signer.make(data_links.DATA, about)}").text
    with desk.database.reading() as session:
        opened = data_links.read(session, signer, data_links.DATA, signer.make(data_links.DATA, about))
    assert opened.is_over(dt.datetime(2027, 6, 1, tzinfo=dt.UTC))


def test_an_answer_without_an_address_is_erased_without_a_mail_but_not_without_a_button(desk: Desk) -> None:
    with desk.database.writing() as session:
        enquiry = enquire(session)
        session.get_one(tables.Enquiry, enquiry).contact = None
    shared, reader = data_links.of_answer(mail_service(desk).signer, enquiry, NOW), Reader(desk.app)
    page = reader.post(shared, {})
    assert page.h1 == "Erase your data?"
    assert counted(desk)["enquiries"] == 1
    assert reader.post(page.address, {}).h1 == "Your data is erased"
    assert counted(desk)["enquiries"] == 0


def test_nothing_is_erased_by_link_while_bows_are_out(desk: Desk) -> None:
    data, before = data_link(desk, add(desk, over=False)), counted(desk)
    for reply in (desk.nobody().send("POST", data), desk.nobody().send("POST", erase_link(desk, data))):
        assert reply.status_code == 409
        assert "still goes on" in reply.text
    assert counted(desk) == before


def test_a_player_changes_what_the_ratings_are_used_for(desk: Desk) -> None:
    player = add(desk, model=True)
    data, reader = data_link(desk, player), Reader(desk.app)
    for answer, said in (("no", "They serve your own trial only."), ("yes", "they help to advise other players.")):
        assert said in reader.post(f"{data}/ratings", {"may_help": answer}).text
        with desk.database.reading() as session:
            theirs = session.scalars(select(tables.Player).where(tables.Player.key == player)).one()
            assert theirs.in_model is (answer == "yes")
    assert reader.request("POST", f"{data}/ratings", data={"may_help": "perhaps"}).status_code == 409


def test_a_mail_is_not_sent_as_often_as_somebody_presses_a_button(desk: Desk) -> None:
    data = data_link(desk, add(desk))
    for _again in range(9):
        desk.nobody().send("POST", data)
    assert 1 <= len(mailed(desk, "erasure_link")) <= 5


# At the desk


@pytest.mark.parametrize("start", ["players", "enquiries"])
def test_the_desk_hands_out_and_erases_after_asking_why(desk: Desk, start: str) -> None:
    with desk.database.writing() as session:
        kept = add_all(session)
    address = f"/desk/{start}/{kept.player if start == 'players' else kept.enquiry}"
    adviser = desk.sign_in("adviser")
    hrefs = [link.get("href") for link in adviser.read(address).all("a")]
    assert {f"{address}/data", f"{address}/erase"} <= set(hrefs)
    assert json.loads(adviser.get(f"{address}/data").text)["contacts"][0]["phone"] == PHONE
    page = adviser.read(f"{address}/erase")
    assert page.h1 == f"Erase the data of {NAME}?"
    unsaid = desk_shop.send(adviser, page, "/erase")
    assert unsaid.status == 422
    assert "Say first why" in unsaid.text
    assert counted(desk)["contacts"] == 1
    done = desk_shop.send(adviser, unsaid, "/erase", reason="asked")
    assert "Erased: 1 enquiry, 2 trials." in done.text
    assert NAME not in done.source
    assert counted(desk)["contacts"] == 0
    record = desk.sign_in("owner").read("/desk/audit")
    assert "erased a person’s data" in record.text
    for told in (NAME, EMAIL, kept.player):
        assert told not in record.source


def test_the_desk_says_why_nothing_can_be_erased_yet_and_whose_address_is_shared(desk: Desk) -> None:
    player, adviser = add(desk, over=False), desk.sign_in("adviser")
    page = adviser.read(f"/desk/players/{player}/erase")
    assert "A trial still goes on; once the shop has ended or cancelled it" in page.text
    assert page.all("form", action=f"/desk/players/{player}/erase") == []
    with desk.database.writing() as session:
        key = compose(
            session, contact=contact(model=False, name="Ben Quillfeather", email=EMAIL), copies=["DB-bramble-3"]
        )
        lifecycle.cancel(session, None, DEALER, key)
        for trial in session.scalars(select(tables.Composition).where(tables.Composition.state == "open")):
            lifecycle.close(session, None, DEALER, session.get_one(tables.Trial, trial.trial).key)
    assert f"{NAME} and Ben Quillfeather" in adviser.read(f"/desk/players/{player}/erase").text


def test_the_desk_notes_what_a_player_says_of_the_ratings(desk: Desk) -> None:
    player, adviser = add(desk), desk.sign_in("adviser")
    for answer in (True, False):
        page = desk_shop.send(adviser, adviser.read(f"/desk/players/{player}"), "/ratings")
        assert "From our next estimate on" in page.text
        with desk.database.reading() as session:
            theirs = session.scalars(select(tables.Player).where(tables.Player.key == player)).one()
            assert theirs.in_model is answer
    assert adviser.post(f"/desk/players/{player}/ratings").status_code == 409


def test_a_walk_in_is_asked_at_the_desk_with_no_name_too(desk: Desk) -> None:
    adviser = desk.sign_in("adviser")
    page = adviser.read("/desk/compose?instrument=double_bass+german&minutes=40")
    assert "May these ratings, without the name, help to advise others?" in page.text
    for said, expected in (("yes", (True, True)), ("", (False, False))):
        page = adviser.read("/desk/compose?instrument=double_bass+german&minutes=40")
        trial = desk_shop.send(adviser, page, "/desk/compose", go="set", consent_model=said)
        key = trial.address.rpartition("/")[2]
        with desk.database.reading() as session:
            theirs = select(tables.Player).join(tables.Trial, tables.Trial.player == tables.Player.id)
            player = session.scalars(theirs.where(tables.Trial.key == key)).one()
            assert (player.in_model, player.asked_at is not None) == expected
        adviser.submit(f"/desk/trials/{key}/cancel")


def test_a_link_without_scripts_asks_with_the_first_sheet_only_and_no_listener(desk: Desk) -> None:
    with desk.database.writing() as session:
        key = compose(session, on=NOW.date().isoformat(), model_consent=None, repeat=False)
        lifecycle.open_(session, None, DEALER, key)
        signer = desk.app.state.signer
        mine, theirs = (
            rater_links.open_seat(session, None, DEALER, key, rater, signer=signer) for rater in tables.RATERS
        )
    reader = Reader(desk.app)
    assert "help to advise other players" not in reader.get(f"{theirs}/1").text
    page = reader.get(f"{mine}/1")
    assert "May these ratings help to advise other players?" in page.text
    after = reader.send(page, {"overall": "5", "may_help": "yes"})
    assert after.address == f"{mine}/2"
    assert "help to advise other players" not in after.text
    with desk.database.reading() as session:
        assert [player.in_model for player in session.scalars(select(tables.Player))] == [True]
