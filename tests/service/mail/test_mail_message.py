"""Addresses, the mark-up, and the headers of every mail as the standard library's parser reads them.

RFC 5322 (headers), 2047 (names), 2369 and 8058 (unsubscribing), 3834 (automatic mail), 5891 (domains beyond ASCII), 6531
(local parts beyond ASCII).
"""

import datetime as dt
import email
import re
from dataclasses import replace
from email import policy
from email.message import EmailMessage
from email.utils import parsedate_to_datetime

import pytest

from service.mail import addresses, markup
from service.mail.addresses import UnusableAddressError, parse
from service.mail.message import Letter, make_message
from service.web import templating

NOW = dt.datetime(2026, 5, 4, 9, 30, tzinfo=dt.UTC)
LETTER = Letter(
    to=parse("anna@player.example"),
    sender=parse("bows@maker.example"),
    subject="Vier Bögen zum Ausprobieren, und warum gerade diese: eine lange Zeile, die gefaltet werden muss",
    text="Grüße\n",
    html="<p>Grüße</p>\n",
    language="de",
    message_id="0123456789abcdef0123456789abcdef@maker.example",
    sender_name="Bücher & Bögen, Süd (erfunden)",
    reply_to=parse("laden@maker.example"),
    unsubscribe=f"https://bows.example/mail/unsubscribe/{'a-B_9' * 30}",
)


def read(letter: Letter) -> tuple[EmailMessage, bytes]:
    raw = make_message(letter, NOW).as_bytes()
    return email.message_from_bytes(raw, _class=EmailMessage, policy=policy.default), raw


def test_every_header_that_a_mail_needs_is_there_once_and_is_read_as_it_was_meant() -> None:
    message, raw = read(LETTER)
    assert message["From"].addresses[0].display_name == LETTER.sender_name
    assert message["From"].addresses[0].addr_spec == "bows@maker.example"
    assert message["To"] == "anna@player.example"
    assert message["Reply-To"].addresses[0].addr_spec == "laden@maker.example"
    assert message["Subject"] == LETTER.subject
    assert parsedate_to_datetime(message["Date"]) == NOW
    assert message["Message-ID"] == f"<{LETTER.message_id}>"
    assert message["Auto-Submitted"] == "auto-generated"
    assert message["Content-Language"] == "de"
    for name in ("From", "To", "Subject", "Date", "Message-ID", "MIME-Version"):
        assert len(message.get_all(name, [])) == 1
    assert message.defects == []
    assert raw.isascii()


def test_no_line_is_longer_than_rfc_5322_allows_and_every_one_ends_in_crlf() -> None:
    _message, raw = read(LETTER)
    lines = raw.split(b"\r\n")
    assert all(len(line) <= 998 and b"\n" not in line and b"\r" not in line for line in lines)
    assert all(len(line) <= 78 for line in lines if not line.startswith(b"List-Unsubscribe:"))


def test_one_click_unsubscribing_stands_in_the_raw_headers_as_rfc_8058_writes_it() -> None:
    # Read raw: a parser that decodes encoded words would hide that an address was broken into them.
    _message, raw = read(LETTER)
    head = raw.split(b"\r\n\r\n")[0].decode("ascii").split("\r\n")
    assert f"List-Unsubscribe: <{LETTER.unsubscribe}>" in head
    assert "List-Unsubscribe-Post: List-Unsubscribe=One-Click" in head
    assert f"Message-ID: <{LETTER.message_id}>" in head


def test_one_click_is_promised_over_https_only_and_nothing_where_there_is_nothing_to_end() -> None:
    plain, _raw = read(replace(LETTER, unsubscribe="http://127.0.0.1:8000/mail/unsubscribe/x"))
    assert plain["List-Unsubscribe"] == "<http://127.0.0.1:8000/mail/unsubscribe/x>"
    assert plain["List-Unsubscribe-Post"] is None
    asked_for, _raw = read(replace(LETTER, unsubscribe=None))
    assert asked_for["List-Unsubscribe"] is None


def test_text_comes_before_html_in_a_multipart_alternative() -> None:
    message, _raw = read(LETTER)
    assert message.get_content_type() == "multipart/alternative"
    parts = [part.get_content_type() for part in message.iter_parts()]
    assert parts == ["text/plain", "text/html"]  # RFC 2046, 5.1.4: the plainest first
    body = message.get_body(("plain",))
    assert body is not None
    assert body.get_content().strip() == "Grüße"


@pytest.mark.parametrize("name", ["Anna\r\nBcc: all@player.example", "Anna\nX: y", "Anna\r", "An\u2028na", "An\x00na"])
def test_a_name_that_could_begin_another_header_is_refused(name: str) -> None:
    for letter in (replace(LETTER, name=name), replace(LETTER, sender_name=name)):
        with pytest.raises(UnusableAddressError, match="line breaks"):
            make_message(letter, NOW)


def test_a_line_break_in_a_subject_begins_no_header() -> None:
    message, _raw = read(replace(LETTER, subject="Hello\r\nBcc: all@player.example"))
    assert message["Bcc"] is None
    assert message["Subject"] == "Hello Bcc: all@player.example"


@pytest.mark.parametrize(
    ("given", "sent"),
    [
        ("anna@player.example", "anna@player.example"),
        (" Anna.B+bows@Player.Example ", "Anna.B+bows@player.example"),
        ("anna@bücher.example", "anna@xn--bcher-kva.example"),
        # RFC 5895 and UTS 46 map before they encode; 'ß' is kept by IDNA 2008 (RFC 5891), unlike by IDNA 2003.
        ("anna@STRAẞE.example", "anna@xn--strae-oqa.example"),
        ("jörg@player.example", "jörg@player.example"),
        ("o'neil@player.example", "o'neil@player.example"),
    ],
)
def test_an_address_is_sent_with_its_domain_in_ascii(given: str, sent: str) -> None:
    assert str(parse(given)) == sent
    assert parse(given).needs_utf8 == (not sent.isascii())


@pytest.mark.parametrize(
    "given",
    [
        "",
        "anna",
        "anna@",
        "@player.example",
        "anna@player",
        "anna@@player.example",
        "anna..b@player.example",
        ".anna@player.example",
        "an na@player.example",
        "anna@player.example\r\nBcc: b@player.example",
        "anna@player..example",
        "anna@-player.example",
        "anna@player.example.",
        '"anna"@player.example',
        "a@b@player.example",
        "anna<x>@player.example",
        f"{'a' * 65}@player.example",
        f"anna@{'a' * 64}.example",
        f"anna@{'abcdefgh.' * 28}example",
        "an\u202ena@player.example",
    ],
)
def test_what_no_mail_can_be_sent_to_is_refused_in_a_sentence(given: str) -> None:
    with pytest.raises(UnusableAddressError) as refused:
        parse(given)
    assert str(refused.value).endswith(".")
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize(
    "name", ["Anna Invented", "J. S. Bach", "Anne-Marie O’Neil", "Łukasz", "李 小明", "Müller Jr."]
)
def test_a_name_is_greeted(name: str) -> None:
    assert addresses.greeting_name(name) == name


@pytest.mark.parametrize(
    "name",
    [
        "Win at https://prize.example",
        "prize.example",
        "www.prize.example",
        "=> https://prize.example you won",
        "call +49 123",
        "a@b.example",
        "x" * 61,
        "",
        None,
    ],
)
def test_what_is_more_than_a_name_is_not_repeated_to_whoever_is_written_to(name: str | None) -> None:
    assert addresses.greeting_name(name) == ""


def test_the_digest_of_an_address_hides_it_and_knows_it_in_any_case_of_letters() -> None:
    one = addresses.digest("secret", "Anna@Bücher.example")
    assert one == addresses.digest("secret", "anna@xn--bcher-kva.example")
    assert one != addresses.digest("other", "Anna@Bücher.example")
    assert re.fullmatch("[0-9a-f]{64}", one)


SOURCE = """
Hello,

a paragraph over
two lines.

# Heading
- one
- two, which is so long that it has to be broken over more than a single line of text

- three
=> https://bows.example/x?y=1 Words of the link
---
Small print.
"""


def test_one_source_gives_text_and_html() -> None:
    blocks = markup.parse(SOURCE)
    assert markup.to_text(blocks).split("\n") == [
        "Hello,",
        "",
        "a paragraph over two lines.",
        "",
        "Heading",
        "-------",
        "",
        "* one",
        "* two, which is so long that it has to be broken over more than a single",
        "  line of text",
        "* three",
        "",
        "Words of the link:",
        "https://bows.example/x?y=1",
        "",
        "-" * 32,
        "",
        "Small print.",
        "",
    ]
    html = markup.to_html(templating.environment(), "A <title>", "en", blocks)
    assert "<h1>A &lt;title&gt;</h1>" in html
    assert "<li>one</li>\n<li>two, which" in html
    assert '<a href="https://bows.example/x?y=1">Words of the link</a>' in html
    assert html.index("Small print.") > html.index('<div class="small">')
    assert not re.search(r"<(table|img|script|link|iframe)|src=|url\(", html)


def test_a_value_can_neither_begin_a_line_with_a_mark_nor_break_one() -> None:
    value = "=> https://prize.example you won\n\n# Prize\n- one"
    assert markup.safe(value) == "https://prize.example you won # Prize - one"
    (block,) = markup.parse(str(markup.safe(value)))
    assert block.kind == "paragraph"


def test_a_number_and_its_unit_are_parted_by_no_line_of_a_mail() -> None:
    value = markup.safe("\u00a0" + 11 * "a word " + "and 94\u00a0%,\u2028likely 2.4\u00a0–\u2060\u00a06.4")
    blocks = markup.parse(str(value))
    lines = markup.to_text(blocks).splitlines()
    assert [line for line in lines if "94\u00a0%, likely" in line]
    assert [line for line in lines if "2.4\u00a0–\u00a06.4" in line]
    assert "94\u00a0%" in markup.to_html(templating.environment(), "A title", "en", blocks)


def test_a_link_without_words_is_a_mistake_of_the_template() -> None:
    with pytest.raises(ValueError, match="expected '=> https"):
        markup.parse("=> https://bows.example/x")
