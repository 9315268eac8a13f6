"""What the desk says of enquiries, trials, players and bows in one line each."""

from urllib.parse import urlencode

from model.domain.vocabulary import Hold, Instrument, Place
from service.core import formats, phrases, times
from service.core.language import _, locale, ngettext, spoken
from service.trials import desk_words
from service.trials.desk_records import EnquiryRow, Overdue, PlayerRow, TrialRow
from service.web.desk_forms import ListLine, address


def instrument(name: Instrument, hold: Hold | None) -> str:
    """Return an instrument with its hold: 'double bass, German hold'."""
    return ", ".join([_(phrases.INSTRUMENTS[name]), *([_(phrases.HOLDS[hold])] if hold else [])])


def somebody(name: str | None) -> str:
    """Return a player's name, or words where none was given."""
    return name or _("No name given")


def trial_number(number: int | None, key: str) -> str:
    """Name a trial: by the dealer's running number, by its key where it was read from a file."""
    return _("Trial {number}").format(number=key if number is None else number)


def trial_title(row: TrialRow) -> str:
    """Name a trial and its player: 'Trial 14, Clara Ahrens'."""
    return _("{trial}, {player}").format(trial=trial_number(row.number, row.key), player=somebody(row.who))


def trial_facts(row: TrialRow) -> str:
    """Return a trial's instrument, place, blinding and day in one line."""
    how = (desk_words.place(row.place), desk_words.blinding(row.blinding), formats.day_and_hour(row.on, row.hour))
    return f"{formats.NBSP}· ".join([formats.capital(instrument(row.instrument, row.hold)), *how])


def bows_and_sheets(row: TrialRow) -> str:
    """Say how many bows a trial has and how many of its sheets are in."""
    sheets = _("{done} of {all} sheets in").format(done=row.sheets_in, all=row.sheets_of)
    parts = [formats.bows(row.copies)] if row.copies else []
    return ", ".join([*parts, *([sheets] if row.sheets_of else [])])


def coming_back(row: TrialRow) -> str:
    """Say when the bows of a trial are due back; empty where they are not lent over night."""
    if row.due_back is None or not is_lent(row):
        return ""
    return _("due back on {day}").format(day=formats.day(row.due_back))


def overdue(item: Overdue) -> str:
    """Say which bows should be back, and since when."""
    due = item.trial.due_back or item.trial.on
    return ngettext(
        "{bows}, due back on {day}, {count} day ago", "{bows}, due back on {day}, {count} days ago", item.days
    ).format(bows=formats.capital(formats.bows(len(item.copies))), day=formats.day(due), count=item.days)


def enquiry_facts(row: EnquiryRow) -> str:
    """Return what an enquiry is about: instrument, budget, place, bows advised."""
    parts = [formats.capital(instrument(row.instrument, row.hold))]
    if row.budget is not None and row.currency is not None:
        parts.append(_("up to {amount}").format(amount=formats.money(row.budget, row.currency)))
    parts += [desk_words.place(row.place), _("{bows} advised").format(bows=formats.bows(row.copies))]
    return f"{formats.NBSP}· ".join(parts)


def enquiry_title(row: EnquiryRow) -> str:
    """Return an enquiry's number, as it is printed on the answer, and what it is about."""
    named = _("Enquiry {number}").format(number=formats.enquiry_number(row.id))
    return f"{named}{formats.NBSP}· {enquiry_facts(row)}"


def enquiry_state(row: EnquiryRow) -> str:
    """Say what became of an enquiry, or when it came."""
    if row.trials:
        named = formats.listed([trial_number(number, key) for key, number in row.trials])
        return _("composed: {trials}").format(trials=named)
    if row.settled_at is not None:
        return _("settled without a trial on {day}").format(day=times.day(row.settled_at))
    return _("came on {day}").format(day=times.day(row.created_at))


def player_facts(row: PlayerRow) -> str:
    """Return a player's instruments and trials in one line."""
    parts = [_(phrases.INSTRUMENTS[name]) for name in row.instruments]
    line = formats.capital(formats.listed(parts)) if parts else _("no instrument known")
    count = formats.trials(row.trials)
    last = _("{trials}, the last on {day}").format(trials=count, day=formats.day(row.last)) if row.last else count
    return f"{line}{formats.NBSP}· {last}"


def country(code: str | None) -> str:
    """Return a country's name by its code (ISO 3166, Unicode CLDR); the code where it has none, empty without one."""
    return locale(spoken()).territories.get(code, code) if code else ""


def is_by_post(row: TrialRow) -> bool:
    """Say whether a trial goes by post."""
    return row.place is Place.POST


def is_lent(row: TrialRow) -> bool:
    """Say whether the bows of a trial are lent over night."""
    return row.due_back is not None and row.due_back != row.on


# As lines of a list, each with its one action


def tier_picture(tier: str, name: str, **whose: str) -> ListLine:
    """Return the way to a tier's bows over what a player can be expected to like; ``whose``: by ``enquiry`` or ``player``."""
    return ListLine(
        name=_("The bows of {tier} for this player").format(tier=name),
        facts="",
        state="",
        href=f"{address('tiers', tier, 'picture')}?{urlencode(whose)}",
        action=_("See the picture"),
    )


def enquiry_line(row: EnquiryRow) -> ListLine:
    """Return an enquiry's line."""
    state, href = formats.capital(enquiry_state(row)), f"/desk/enquiries/{row.id}"
    return ListLine(somebody(row.name), enquiry_facts(row), state, href, _("Look at it"))


def trial_line(row: TrialRow, action: str = "") -> ListLine:
    """Return a trial's line; ``action`` says what is to be done with it."""
    back = coming_back(row) if row.state == "open" else ""
    came = [desk_words.OUTCOMES[row.outcome]] if row.outcome else []
    states = [desk_words.STATES[row.state], *came]
    state = formats.capital(", ".join([*map(_, states), *filter(None, (back, bows_and_sheets(row)))]))
    href, action = address("trials", row.key), action or _("Show")
    return ListLine(trial_title(row), trial_facts(row), state, href, action, urgent=row.overdue)


def overdue_line(item: Overdue) -> ListLine:
    """Return the line of a trial whose bows should be back."""
    row, href = item.trial, address("trials", item.trial.key)
    return ListLine(trial_title(row), trial_facts(row), overdue(item), href, _("Take them back"), urgent=True)


def player_line(row: PlayerRow) -> ListLine:
    """Return a player's line."""
    known, href = row.email or row.phone or "", address("players", row.key)
    return ListLine(somebody(row.name), player_facts(row), known, href, _("Show"))
