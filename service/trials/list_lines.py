"""Enquiries, trials and players as lines of a list, each with its one action."""

from service.core import formats
from service.core.language import _
from service.trials import desk_lines, desk_words
from service.trials.desk_records import EnquiryRow, Overdue, PlayerRow, TrialRow
from service.web.desk_forms import ListLine, address


def enquiry(row: EnquiryRow) -> ListLine:
    """Return an enquiry's line."""
    return ListLine(
        name=desk_lines.somebody(row.name),
        facts=desk_lines.enquiry_facts(row),
        state=formats.capital(desk_lines.enquiry_state(row)),
        href=f"/desk/enquiries/{row.id}",
        action=_("Look at it"),
    )


def trial(row: TrialRow, action: str = "") -> ListLine:
    """Return a trial's line; ``action`` says what is to be done with it."""
    back = desk_lines.coming_back(row) if row.state == "open" else ""
    came = [desk_words.OUTCOMES[row.outcome]] if row.outcome else []
    states = [desk_words.STATES[row.state], *came]
    state = ", ".join([*(_(word) for word in states), *filter(None, (back, desk_lines.bows_and_sheets(row)))])
    return ListLine(
        name=desk_lines.trial_title(row),
        facts=desk_lines.trial_facts(row),
        state=formats.capital(state),
        href=address("trials", row.key),
        action=action or _("Show"),
        urgent=row.overdue,
    )


def overdue(item: Overdue) -> ListLine:
    """Return the line of a trial whose bows should be back."""
    return ListLine(
        name=desk_lines.trial_title(item.trial),
        facts=desk_lines.trial_facts(item.trial),
        state=desk_lines.overdue(item),
        href=address("trials", item.trial.key),
        action=_("Take them back"),
        urgent=True,
    )


def player(row: PlayerRow) -> ListLine:
    """Return a player's line."""
    return ListLine(
        name=desk_lines.somebody(row.name),
        facts=desk_lines.player_facts(row),
        state=row.email or row.phone or "",
        href=address("players", row.key),
        action=_("Show"),
    )
