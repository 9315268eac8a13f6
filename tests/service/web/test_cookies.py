"""Every cookie is closed to scripts and, by https, sent by https alone under a name that says so (ASVS 5.0, 3.3.1, 3.3.3, 3.3.4)."""

from http.cookies import SimpleCookie
from pathlib import Path

import pytest

from tests.service.client import BROWSER, add_small_range, serving, settings_in
from tests.service.page import Page, Reader, standing

HTTPS = "https://bows.example"


@pytest.mark.parametrize(("public", "name"), [(None, "lang"), (HTTPS, "__Host-lang")])
def test_the_language_that_was_chosen_is_kept_for_this_host_alone(
    tmp_path: Path, public: str | None, name: str
) -> None:
    # RFC 6265bis, 4.1.3.2: __Host- asks for Secure, Path=/ and no Domain.
    with serving(settings_in(tmp_path, public_address=public)) as client:
        cookies = SimpleCookie("; ".join(client.get("/?lang=de").headers.get_list("set-cookie")))
        assert list(cookies) == [name]
        kept = cookies[name]
        assert (kept.value, kept["path"], kept["domain"], kept["samesite"]) == ("de", "/", "", "Lax")
        assert (kept["httponly"], bool(kept["secure"])) == (True, public is not None)
        # A choice of before the name had its prefix is heeded still, unless there is one under today's name.
        under_both = "de" if public else "fr"
        for cookie, spoken in ((f"{name}=de", "de"), ("lang=fr", "fr"), ("lang=fr; __Host-lang=de", under_both)):
            assert client.get("/", headers={"Cookie": cookie}).headers["content-language"] == spoken


@pytest.mark.parametrize(("public", "name"), [(None, "typed"), (HTTPS, "__Secure-typed")])
def test_a_name_without_consent_goes_back_to_its_step_alone(tmp_path: Path, public: str | None, name: str) -> None:
    # RFC 6265bis, 4.1.3.1: __Secure- asks for Secure, and leaves the path to the step.
    with serving(settings_in(tmp_path, public_address=public)) as client:
        add_small_range(client.database)
        reader = Reader(client.app)
        page = reader.send(reader.send(reader.get("/")), {"instrument": "violin"})
        place = page.address.rsplit("/", 1)[0]
        fields = standing(reader.get(f"{place}/contact").all("form")[0]) | {"name": ["Ada Example"], "go": ["next"]}
        navigating = BROWSER | {"Sec-Fetch-Mode": "navigate"}
        sent = client.send("POST", f"{place}/contact", data=fields, headers=navigating)
        assert sent.status_code == 303
        cookies = SimpleCookie("; ".join(sent.headers.get_list("set-cookie")))
        assert list(cookies) == [name]
        kept = cookies[name]
        assert (kept["path"], kept["httponly"], bool(kept["secure"])) == (place, True, public is not None)
        shown = client.get(sent.headers["location"], headers=BROWSER | {"Cookie": f"{name}={kept.value}"})
        assert Page(shown).by_id("name").get("value") == "Ada Example"
