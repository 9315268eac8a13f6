"""Files loaded at the desk: looked at first, taken whole or not at all, workbooks read no further than a file may go."""

import datetime as dt
import io
import tracemalloc
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from service import tables
from service.inventory import uploads
from tests.service import desk_shop
from tests.service.cast import DEALER, OTHER, Member
from tests.service.desk_shop import Shop, send
from tests.service.page import Page

HEAD = ["copy", "tier", "hold", "dealer", "mass_g"]


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory, _migrated_file: Path) -> Iterator[Shop]:
    with desk_shop.opened(tmp_path_factory.mktemp("uploads"), _migrated_file) as shop:
        with shop.desk.database.writing() as session:
            session.add(tables.Copy(serial="T-1", tier="bramble", hold="german", dealer=OTHER, mass_g=99.0))
        yield shop


def csv(*rows: list[Any]) -> bytes:
    return "".join(",".join(map(str, row)) + "\n" for row in [HEAD, *rows]).encode()


def bow(serial: str, mass: Any = 133, dealer: str = DEALER) -> list[Any]:
    return [serial, "bramble", "german", dealer, mass]


def workbook(*rows: list[Any], sheet: str = "copies", head: list[str] = HEAD, more: tuple[str, ...] = ()) -> bytes:
    book = openpyxl.Workbook()
    book.active.title = sheet
    for row in [head, *rows]:
        book.active.append(row)
    for name in more:
        book.create_sheet(name)
    return saved(book)


def saved(book: Any) -> bytes:
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def upload(member: Member, name: str, data: bytes) -> Page:
    fields = {"csrf": member.csrf, "kind": ""}
    page = Page(member.send("POST", "/desk/bows/files", data=fields, files={"file": (name, data)}, follow=True))
    assert page.faults == []
    return page


def waiting(page: Page) -> str:
    """Return the address of the file that a page shows and may take in."""
    return next(form.get("action") for form in page.all("form", method="post") if "/files/" in form.get("action"))


def mass(shop: Shop, serial: str) -> float | None:
    with shop.desk.database.reading() as session:
        found = session.get(tables.Copy, serial)
        return found.mass_g if found else None


def test_a_file_is_looked_at_line_by_line_and_then_taken_whole(shop: Shop) -> None:
    page = upload(shop.adviser, "copies.csv", csv(bow("U-1"), bow("U-2"), bow("DB-bramble-1", 141)))
    assert "copies.csv: 2 new, 1 changed, 0 as stored" in page.text
    assert "mass_g: – → 141" in " ".join(page.text.split())
    assert mass(shop, "U-1") is None
    loaded = send(shop.adviser, page, waiting(page))
    assert "copies.csv is loaded." in loaded.text
    assert (mass(shop, "U-1"), mass(shop, "DB-bramble-1")) == (133, 141)
    again = upload(shop.adviser, "copies.csv", csv(bow("U-1")))
    assert "copies.csv: 0 new, 0 changed, 1 as stored" in again.text


def test_what_is_wrong_is_named_by_line_and_column_and_nothing_of_it_is_taken(shop: Shop) -> None:
    page = upload(shop.adviser, "copies (2).csv", csv(bow("U-3"), bow("U-4", "heavy")))
    assert "copies.csv, line 3, mass_g : Got 'heavy'; expected a number, such as 58.4." in " ".join(page.text.split())
    assert not [form for form in page.all("form", method="post") if "/files/" in form.get("action")]
    forms = [form.get("action") for form in page.all("form", method="get")]
    action = next(each for each in forms if "/files/" in each)
    refused = shop.adviser.submit(action, {"seen": "", "kind": "", "replace": ""})
    assert (refused.status, mass(shop, "U-3")) == (409, None)


def test_what_changed_since_it_was_looked_at_is_noticed(shop: Shop) -> None:
    page = upload(shop.adviser, "copies.csv", csv(bow("DB-bramble-2", 150)))
    with shop.desk.database.writing() as session:
        session.get_one(tables.Copy, "DB-bramble-2").mass_g = 120.0
    late = send(shop.adviser, page, waiting(page))
    assert "Things have changed since you looked at this. Nothing was loaded" in late.text
    assert mass(shop, "DB-bramble-2") == 120
    assert "120 → 150" in " ".join(late.text.split())
    send(shop.adviser, late, waiting(late))
    assert mass(shop, "DB-bramble-2") == 150


def test_others_may_write_while_a_file_is_read(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    page = upload(shop.adviser, "copies.csv", csv(bow("U-20")))
    parse = uploads.parse

    def meanwhile(name: str, data: bytes, chosen: str = "") -> Any:
        with shop.desk.database.writing() as session:
            session.get_one(tables.Copy, "DB-bramble-3").mass_g = 128.0
        return parse(name, data, chosen)

    monkeypatch.setattr(uploads, "parse", meanwhile)
    assert "copies.csv is loaded." in send(shop.adviser, page, waiting(page)).text
    assert (mass(shop, "U-20"), mass(shop, "DB-bramble-3")) == (133, 128)


def test_a_file_waits_for_its_sender_alone(shop: Shop) -> None:
    page = upload(shop.adviser, "copies.csv", csv(bow("U-5")))
    address = waiting(page)
    for other in ("stranger", "owner"):
        assert shop.desk.sign_in(other).get(address).status_code == 404
    with shop.desk.database.writing() as session:
        for kept in session.query(tables.KeptForm):
            kept.at -= dt.timedelta(minutes=61)
    assert shop.adviser.get(address).status_code == 404


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("copies.csv", csv(bow("T-1"))),
        ("copies.csv", csv(bow("U-6", dealer=OTHER))),
        ("copies.csv", csv(bow("U-6", dealer=""))),
        ("bench.csv", b"copy,date,quantity,value\nT-1,2026-01-01,mass_g,5\n"),
        ("events.csv", b"copy,date,event\nT-1,2026-01-01,rehaired\n"),
        ("prices.csv", f"tier,dealer,price,currency\nbramble,{OTHER},5,EUR\n".encode()),
        ("tiers.csv", b"tier,instrument,grade\nnew,violin,1\n"),
        ("runs.csv", b"trial,player,date,instrument,position,copy,overall\nX,p,2026-01-01,violin,1,own,4\n"),
    ],
)
def test_whoever_is_bound_to_a_dealer_loads_nothing_of_anothers(shop: Shop, name: str, data: bytes) -> None:
    page = upload(shop.adviser, name, data)
    assert "Nothing can be loaded as it stands" in page.text
    assert "99" not in page.text
    owner = upload(shop.desk.sign_in("owner"), name, data)
    assert "Nothing is changed yet." in owner.text


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("runs.csv", b"trial,player,date,instrument,position,copy,overall,note\nX,p,2026-01-01,violin,1,own,4,hush\n"),
        ("outcomes.csv", b"trial,date,outcome\nX,2026-01-01,returned\n"),
    ],
)
def test_whoever_runs_no_trials_loads_none_and_is_shown_nothing_of_them(shop: Shop, name: str, data: bytes) -> None:
    maker = shop.desk.sign_in("workshop")
    offered = [each.get("value") for each in maker.read("/desk/bows/files").all("option")]
    assert "copies.csv" in offered
    assert name not in offered
    page = upload(maker, name, data)
    assert "Got a file of trials, which only whoever runs trials may load; expected one of tiers.csv" in page.text
    assert "Nothing can be loaded as it stands" in page.text
    assert "hush" not in page.text


def test_a_workbooks_sheet_is_read_like_the_file(shop: Shop) -> None:
    head = ["copy", "date", "event", "note"]
    rows: list[list[Any]] = [
        ["DB-bramble-0", dt.date(2026, 2, 3), "rehaired", None],
        ["DB-bramble-0", "2026-02-04", "moved", "x"],
    ]
    page = upload(shop.adviser, "my list.xlsx", workbook(*rows, sheet="Events", head=head, more=("remarks",)))
    assert "events.csv: 2 new, 0 changed, 0 as stored" in page.text
    text_number = upload(shop.adviser, "copies.xlsx", workbook(bow("U-7", "58,5"), bow("U-8", 58.0), sheet="Sheet1"))
    assert "copies.csv: 2 new" in text_number.text
    assert "mass_g: 58.5" in text_number.text
    assert "mass_g: 58;" in f"{' '.join(text_number.text.split())};"


def formula() -> bytes:
    return workbook(bow("U-9", "=1+1"))


def merged() -> bytes:
    book = openpyxl.load_workbook(io.BytesIO(workbook(bow("U-9"), bow("U-10"))))
    book.active.merge_cells("A2:A3")
    return saved(book)


def bomb(rows: int = 3_000_000) -> bytes:
    """Return a small workbook whose sheet unpacks to a hundred megabytes of zeros."""
    out = io.BytesIO()
    source = zipfile.ZipFile(io.BytesIO(workbook(bow("U-9"))))
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as made:
        for entry in source.namelist():
            content = source.read(entry)
            if entry.startswith("xl/worksheets/"):
                content = content.replace(b"</sheetData>", b'<row r="9"><c><v>0</v></c></row>' * rows + b"</sheetData>")
            made.writestr(entry, content)
    return out.getvalue()


def damaged(part: str, fault: str) -> bytes:
    """Return a workbook one of whose parts is encrypted, or has a broken stream or a wrong CRC (APPNOTE 4.4.4, 4.4.5, 4.4.7)."""
    data = bytearray(workbook(*(bow(f"U-9{number}") for number in range(2_000))))  # not read whole when it is opened
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        start = archive.getinfo(part).header_offset
    central = data.rindex(b"PK\x01\x02", 0, data.rindex(part.encode()))
    if fault == "encrypted":
        data[start + 6] |= 1
        data[central + 8] |= 1
    elif fault == "crc":
        data[central + 16] ^= 0xFF
    else:
        content = start + 30 + len(part) + int.from_bytes(data[start + 28 : start + 30], "little")
        data[content : content + 8] = b"\xff" * 8
    return bytes(data)


@pytest.mark.parametrize("fault", ["encrypted", "crc", "stream"])
@pytest.mark.parametrize("part", ["xl/workbook.xml", "xl/worksheets/sheet1.xml"])
def test_a_damaged_or_encrypted_workbook_is_refused_in_words(part: str, fault: str) -> None:
    parsed = uploads.parse("copies.xlsx", damaged(part, fault))
    assert "a file that is no workbook" in " ".join(map(str, parsed.problems))


@pytest.mark.parametrize(
    ("name", "data", "said"),
    [
        ("copies.xlsx", formula(), "Got a formula without its value, in cell E2"),
        ("copies.xlsx", merged(), "Got merged cells"),
        ("a.xlsx", workbook(bow("U-9"), more=("tiers",)), "Got the sheets 'copies', 'tiers'"),
        ("a.xlsx", workbook(bow("U-9"), sheet="first", more=("second",)), "Got the sheets 'first', 'second'"),
        ("copies.xlsx", b"PK\x03\x04 and nothing of the kind", "Got a file that is no workbook"),
        ("copies.xlsx", workbook(bow("U-9"))[:-900], "Got a file that is no workbook"),
        ("copies.xlsx", workbook(["U-9", "bramble", "german", DEALER, True]), "Got 'True'; expected a number"),
        ("bench.xlsx", workbook(["DB-bramble-0", 45000, "mass_g", 5], sheet="bench", head=["copy", "date", "quantity", "value"]), "Got '45000'; expected a date"),
        ("copies.csv", b"\xd0\xcf\x11\xe0 an old workbook", "text that is not UTF-8"),
        ("readme.txt", b"hello", "Got the name 'readme.txt'"),
    ],
)  # fmt: skip
def test_a_file_that_cannot_be_read_is_refused_by_name(shop: Shop, name: str, data: bytes, said: str) -> None:
    page = upload(shop.adviser, name, data)
    assert said in page.text
    assert "Nothing can be loaded as it stands" in page.text
    assert mass(shop, "U-9") is None


def test_a_bomb_of_zeros_is_refused_before_it_is_unpacked() -> None:
    data = bomb()
    assert len(data) < 1_000_000
    tracemalloc.start()
    parsed = uploads.parse("copies.xlsx", data)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert parsed.missing is not None
    assert "a workbook that unpacks to" in str(parsed.missing)
    assert peak < 4_000_000


def test_rows_beyond_any_file_are_not_gone_through() -> None:
    sparse = openpyxl.Workbook()
    sparse.active.title = "copies"
    sparse.active.append(HEAD)
    sparse.active.cell(row=1_000_000, column=1, value="x")
    parsed = uploads.parse("copies.xlsx", saved(sparse))
    assert "more than 50000 rows" in " ".join(map(str, parsed.problems))


def test_more_than_may_be_sent_and_nothing_at_all_are_said(shop: Shop) -> None:
    large = shop.adviser.send(
        "POST", "/desk/bows/files", data={"csrf": shop.adviser.csrf}, files={"file": ("copies.csv", b"0" * 5_000_000)}
    )
    assert large.status_code == 413
    none = shop.adviser.send("POST", "/desk/bows/files", data={"csrf": shop.adviser.csrf}, files={"file": ("", b"")})
    assert none.status_code == 422
