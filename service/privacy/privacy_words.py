"""What is kept of a person, and what is erased, in words."""

from collections.abc import Callable, Mapping
from typing import Any

from service.core import formats
from service.core.language import _, ngettext
from service.players.persons import Person
from service.privacy.erasure import Erased

DONE: Mapping[str, Callable[[], str]] = {
    "erasure": lambda: _(
        "A mail is on its way. Its link is good for two days and erases nothing before you press a button."
    ),
    "link": lambda: _("A mail with the link is on its way to the address that was left."),
    "said": lambda: _("That is noted."),
}
"""What the page of one's data says after each thing that can be done there."""


def kept(held: Mapping[str, Any]) -> tuple[tuple[str, str], ...]:
    """Return what is kept as labels with values."""
    contacts = [*held["contacts"], *(each["contact"] for each in held["enquiries"] if each["contact"])]
    lines = [
        (_("Name"), _all(contacts, "name")),
        (_("E-mail"), _all(contacts, "email")),
        (_("Telephone"), _all(contacts, "phone")),
        (_("Enquiries"), _days([each["made"][:10] for each in held["enquiries"]])),
        (_("Trials"), _days([each["day"] for each in held["trials"]])),
        (_("Rating sheets"), str(sum(len(each["sheets"]) or len(each["ratings"]) for each in held["trials"]) or "")),
        (_("Mails"), str(len(held["mails"]) or "")),
    ]
    return tuple((label, value) for label, value in lines if value)


def _all(contacts: list[Mapping[str, Any]], name: str) -> str:
    return formats.listed(list(dict.fromkeys(each[name] for each in contacts if each.get(name))))


def _days(days: list[str]) -> str:
    return formats.listed([formats.day(each) for each in dict.fromkeys(days)])


def before_erasing(erased: Erased, person: Person) -> tuple[str, ...]:
    """Say what would be erased, and what stays."""
    said = _what_goes(erased)
    if len(person.names) > 1:
        names = formats.listed(list(person.names))
        said = (
            _("More than one name is known under this address, and all are erased: {names}.").format(names=names),
            *said,
        )
    return (*said, _("It cannot be undone. A bow that was kept stays in the dealer’s own books as sold."))


def _what_goes(erased: Erased) -> tuple[str, ...]:
    gone = _("Name, address and telephone number, {enquiries} with the advice given, and the mails are erased.")
    said = [gone.format(enquiries=_enquiries(erased.enquiries))]
    if erased.trials:
        said.append(
            ngettext(
                "{count} trial goes with its ratings, since they were to serve that trial only.",
                "{count} trials go with their ratings, since they were to serve those trials only.",
                erased.trials,
            ).format(count=erased.trials)
        )
    if erased.trials_kept:
        said.append(
            ngettext(
                "The ratings of {count} trial stay without a name, since it was agreed that they may help others.",
                "The ratings of {count} trials stay without a name, since it was agreed that they may help others.",
                erased.trials_kept,
            ).format(count=erased.trials_kept)
        )
    return tuple(said)


def _enquiries(count: int) -> str:
    return ngettext("{count} enquiry", "{count} enquiries", count).format(count=count)


def after_erasing(erased: Erased) -> tuple[str, ...]:
    """Say what was erased and what stays."""
    backups = _(
        "Copies that were saved earlier for safety are overwritten in their time; ask the dealer how long that takes."
    )
    return (*_what_goes(erased), _("Our next estimate is made without what was erased."), backups)


def erased(count: Erased) -> str:
    """Return what was erased in one line, for the desk."""
    gone = _("Erased: {enquiries}, {trials}.").format(
        enquiries=_enquiries(count.enquiries), trials=_trials(count.trials)
    )
    stay = ngettext(
        "{count} trial stays without a name.", "{count} trials stay without a name.", count.trials_kept
    ).format(count=count.trials_kept)
    return f"{gone} {stay}"


def _trials(count: int) -> str:
    return ngettext("{count} trial", "{count} trials", count).format(count=count)
