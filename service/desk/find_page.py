"""The one search field of the desk: it leads straight to what is meant, or lists what may be."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, Request
from fastapi.responses import RedirectResponse, Response

from service.core import formats, typed_text
from service.core.language import _
from service.desk import finding
from service.desk.finding import ENQUIRIES, PLAYERS, STOCK, TRIALS, BowRow, Found, Looking
from service.players import searching
from service.trials import desk_lines, desk_words
from service.web import desk_frame
from service.web.database_sessions import Reading
from service.web.desk_forms import ListLine, address
from service.web.page_data import Page
from service.web.permissions import AnyStaff, AtDealer, AtDealerNeeds, Staff
from service.web.roles import Permission

router = APIRouter()
FIND = "/desk/find"
_NEEDED = {
    PLAYERS: Permission.PLAYERS_VIEW,
    ENQUIRIES: Permission.ENQUIRIES_VIEW,
    TRIALS: Permission.TRIALS_VIEW,
    STOCK: Permission.STOCK_VIEW,
}


async def _looks(request: Request, staff: AnyStaff) -> Staff:
    """Return who looks; whoever may see what is a dealer's chooses one first, as on the lists."""
    needs = AtDealerNeeds(Permission.TRIALS_VIEW)
    return await needs(request, staff) if staff.may(needs.permission) else staff


Looks = Annotated[Staff, Depends(_looks)]


@dataclass(frozen=True, slots=True)
class FoundGroup:
    """What is found of one kind; ``further``: the list that holds the rest, empty where there is none."""

    anchor: str
    title: str
    lines: tuple[ListLine, ...]
    further: str = ""


@router.get(FIND)
async def find(request: Request, staff: Looks, session: Reading, q: str = "") -> Response:
    """Lead to the one thing that is meant, or list what may be; without a text, say what can be looked for."""
    kinds = frozenset(kind for kind, needed in _NEEDED.items() if staff.may(needed))
    at_dealer = isinstance(staff, AtDealer)
    looking = Looking(
        kinds=kinds if at_dealer else kinds & {STOCK},
        bows=staff.bows,
        dealer=staff.dealer or "",
        unassigned=isinstance(staff, AtDealer) and staff.acting.unassigned,
    )
    text, is_long = typed_text.cleaned(q[: 2 * typed_text.LONGEST]), len(q) > typed_text.LONGEST
    found = Found() if is_long or not text else finding.find(session, looking, text)
    if found.only:
        return RedirectResponse(address(*found.only), 303)
    groups = tuple(group for group in _groups(found, text) if group.lines)
    shown = text if len(text) <= typed_text.LONGEST else f"{text[: typed_text.LONGEST]} …"
    page = Page(title=_("Found for ‘{text}’").format(text=shown) if groups else _("Find"))
    nothing = "" if groups or not q else _nothing(text, is_long=is_long)
    searched = _searched(looking, staff) if not is_long and searching.words_of(text) else ""
    around: dict[str, Any] = {"searched": searched, "ways": _ways(looking.kinds)}
    return desk_frame.show(request, staff, "desk/find.html", page, q=shown, groups=groups, nothing=nothing, **around)


def _groups(found: Found, text: str) -> Iterator[FoundGroup]:
    lists = {PLAYERS: "/desk/players?", ENQUIRIES: "/desk/enquiries?show=all&"}

    def group(kind: str, title: str, lines: tuple[ListLine, ...]) -> FoundGroup:
        has_more = len(lines) > finding.MOST
        further = f"{lists[kind]}{urlencode({'search': text})}" if has_more and kind in lists else ""
        return FoundGroup(kind, title, lines[: finding.MOST], further)

    yield group(PLAYERS, _("Players"), tuple(map(desk_lines.player_line, found.players)))
    yield group(ENQUIRIES, _("Enquiries"), tuple(map(desk_lines.enquiry_line, found.enquiries)))
    yield group(TRIALS, _("Trials"), tuple(map(desk_lines.trial_line, found.trials)))
    yield group(STOCK, _("Bows"), tuple(map(_bow, found.bows)))


def _bow(row: BowRow) -> ListLine:
    facts = f"{row.tier_name}{formats.NBSP}· {row.dealer_name or _('at the workshop')}"
    status = formats.capital(desk_words.word(desk_words.STATUSES, row.status)) if row.status else ""
    return ListLine(row.copy, facts, status, address("stock", row.copy), _("Show"))


def _nothing(text: str, *, is_long: bool) -> str:
    if is_long:
        return _("That is longer than any name or number here. Type a part of it.")
    if not any(sign.isalnum() for sign in text):
        return _("There is no letter and no digit in that, so nothing was searched.")
    if len(text) < searching.LEAST_LETTERS:
        return _("Type at least two letters of a name, or a whole number.")
    return _("Nothing is found for ‘{text}’.").format(text=text)


def _searched(looking: Looking, staff: Staff) -> str:
    if PLAYERS in looking.kinds:
        return _("Searched: players, enquiries, trials and bows of {dealer}.").format(dealer=staff.dealer_name)
    return _("Searched: bows.")


def _ways(kinds: frozenset[str]) -> tuple[str, ...]:
    of_people = (
        _("a name, or how one of its words begins; accents and capitals do not matter"),
        _("a mail address"),
        _("a telephone number, or at least its last four digits"),
        _("the number of a trial"),
        _("the number of an enquiry, as it stands on the printed answer"),
    )
    bows = (_("a bow’s serial, or how it begins"), _("the code on a label or a paper, with a scanner"))
    return (*(of_people if PLAYERS in kinds else ()), *bows)
