"""A page that breaks the grammar of actions is found out."""

import pytest

from tests.service import actions
from tests.service.page import parsed

SEND = "<form method='post' action='/desk/trials/1/{}'><button class='{}'>Do</button></form>"


@pytest.mark.parametrize(
    ("page", "wrong"),
    [
        (SEND.format("move", "back"), ""),
        (SEND.format("cancel", "back grave"), ""),
        (SEND.format("cancel", "back"), "does not look grave"),
        (SEND.format("erase", "go"), "does not look grave"),
        (SEND.format("move", "plain"), "looks like a link"),
        ("<form method='post' action='/desk/sign-out'><button class='plain'>Sign out</button></form>", ""),
        ("<form method='post' action='/form/x/work'><button class='plain' name='go'>change</button></form>", ""),
        ("<p><a class='plain' href='/desk/players/1/erase'>Erase</a></p>", "leads to an end"),
        ("<main><a class='go' href='/a'>A</a><section><a class='go' href='/b'>B</a></section></main>", ""),
        ("<main><a class='go' href='/a'>A</a><p><a class='go' href='/b'>B</a></p></main>", "got 2 primary"),
        ("<form><button class='go'>A</button><p class='narrow-only'><button class='go'>A</button></p></form>", ""),
    ],
)
def test_what_breaks_the_grammar_is_told(page: str, wrong: str) -> None:
    found = list(actions.faults(list(parsed(page).walk())))
    assert [wrong in each for each in found] == ([True] if wrong else [])
