"""By what the desk's lists are narrowed, and what stands in the cells of a list that is saved."""

from service.core import formats, phrases, times
from service.core.language import _
from service.trials import desk_lines, desk_words
from service.trials.desk_records import NO_OUTCOME, EnquiryRow, PlayerRow, TrialRow
from service.web.list_filters import ListFilter, days, options, order
from service.web.page_data import Option


def who() -> ListFilter:
    """By whose it is."""
    return ListFilter("search", _("Name, mail or telephone"))


def instrument() -> ListFilter:
    """By instrument."""
    return ListFilter("instrument", _("Instrument"), options(phrases.INSTRUMENTS))


def _place() -> ListFilter:
    return ListFilter(
        "place", _("Place"), options({place: label for place, (label, _hint) in desk_words.PLACES.items()})
    )


def enquiries() -> tuple[ListFilter, ...]:
    """Return what enquiries are narrowed by."""
    return who(), instrument(), _place(), *days(), order()


def trials() -> tuple[ListFilter, ...]:
    """Return what trials are narrowed by."""
    outcomes = (*options(desk_words.OUTCOMES), Option(NO_OUTCOME, _("Nothing recorded yet")))
    return who(), instrument(), _place(), ListFilter("outcome", _("What came of it"), outcomes), *days(), order()


def enquiry_head() -> tuple[str, ...]:
    """Return the columns of enquiries."""
    named = (_("Number"), _("Came"), _("Name"), _("Instrument"), _("Budget"), _("Currency"), _("Place"))
    return *named, _("Bows advised"), _("State")


def enquiry(row: EnquiryRow) -> tuple[str, ...]:
    """Return an enquiry's cells."""
    return (
        formats.enquiry_number(row.id),
        f"{times.local(row.created_at):%Y-%m-%d %H:%M}",
        row.name or "",
        desk_lines.instrument(row.instrument, row.hold),
        "" if row.budget is None else f"{row.budget:g}",
        row.currency or "",
        desk_words.place(row.place),
        str(row.copies),
        desk_lines.enquiry_state(row),
    )


def trial_head() -> tuple[str, ...]:
    """Return the columns of trials."""
    named = (_("Number"), _("Day"), _("Hour"), _("Player"), _("Instrument"), _("Place"), _("Blinding"), _("State"))
    return *named, _("Bows"), _("Sheets"), _("What came of it"), _("Due back")


def trial(row: TrialRow) -> tuple[str, ...]:
    """Return a trial's cells."""
    return (
        str(row.number or row.key),
        row.on.isoformat(),
        f"{row.hour:%H:%M}" if row.hour else "",
        row.who or "",
        desk_lines.instrument(row.instrument, row.hold),
        desk_words.place(row.place),
        desk_words.blinding(row.blinding),
        _(desk_words.STATES[row.state]),
        str(row.copies),
        str(row.sheets_in),
        _(desk_words.OUTCOMES[row.outcome]) if row.outcome else "",
        row.due_back.isoformat() if row.due_back else "",
    )


def player_head() -> tuple[str, ...]:
    """Return the columns of players."""
    return _("Name"), _("E-mail"), _("Telephone"), _("Instruments"), _("Trials"), _("Last trial"), _("Key")


def player(row: PlayerRow) -> tuple[str, ...]:
    """Return a player's cells."""
    played = ", ".join(_(phrases.INSTRUMENTS[name]) for name in row.instruments)
    last = row.last.isoformat() if row.last else ""
    return row.name or "", row.email or "", row.phone or "", played, str(row.trials), last, row.key
