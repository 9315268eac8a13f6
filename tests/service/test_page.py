"""The tests' own reader of pages finds out what no page may have."""

import httpx
import pytest

from tests.service.page import Page

PAGE = """<!doctype html><html lang="en"><head><title>A page</title></head><body><main><h1>A page</h1>{}</main></body></html>"""


def read(address: str, inside: str) -> Page:
    request = httpx.Request("GET", f"http://bows.example{address}")
    policy = {"content-security-policy": "default-src 'self'"}
    return Page(httpx.Response(200, html=PAGE.format(inside), headers=policy, request=request))


@pytest.mark.parametrize("inside", ["<p>{}</p>", "<pre>Dear {},</pre>", "<p><code>{}</code></p>"])
@pytest.mark.parametrize("value", ["None", "nan", "Infinity", "undefined"])
def test_a_value_that_is_no_word_is_found_on_every_page(inside: str, value: str) -> None:
    assert read("/desk/mail/7", inside.format("an hour")).faults == []
    assert read("/desk/mail/7", inside.format(value)).faults == ["the text holds a value that is no word for a reader"]


def test_the_help_may_show_such_a_value_in_a_program_and_nowhere_else() -> None:
    assert read("/desk/help/web", "<pre>kept = None</pre>").faults == []
    assert read("/desk/help/web", "<p>None</p>").faults != []
