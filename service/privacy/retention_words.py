"""What an owner is told and asked about erasing by age."""

from service.core import formats, times
from service.core.language import _, ngettext
from service.privacy.clock import Clock
from service.privacy.mass_erasure import MOST_A_DAY, ErasureQuestion


def quiet() -> str:
    """Return what is said where nothing is asked."""
    return _("Nothing is asked of you. Whose time is over is erased by the service itself, once a day.")


def clock(stands: Clock, *, may_confirm: bool) -> tuple[str, ...]:
    """Return what is said of a clock that is not believed."""
    sentence = (
        _("The clock of this service says {now}; it was last known to be at work on {last}.")
        if stands.is_ahead
        else _("The clock of this service says {now}; but it was at work on {last} already.")
    )
    said = sentence.format(now=times.moment(stands.now), last=times.moment(stands.last or stands.now))
    wrong = _("If that is not the time, the clock of the machine has to be set; until then nobody is erased by age.")
    return said, wrong, _("If it is the time, say so.") if may_confirm else not_yours()


def not_yours() -> str:
    """Return what is said to an owner who looks after one dealer of several."""
    return _("If it is the time, an owner who looks after all dealers can say so.")


def persons(question: ErasureQuestion) -> str:
    """Return what is asked about a dealer's persons."""
    sentence = ngettext(
        "The time of {persons} person is over. More than {most} in a day are erased only when you say so.",
        "The time of {persons} persons is over. More than {most} in a day are erased only when you say so.",
        question.persons,
    )
    return sentence.format(persons=formats.number(question.persons, 0), most=MOST_A_DAY)


def button(question: ErasureQuestion) -> str:
    """Return the words on the button that erases."""
    sentence = ngettext("Erase this person for good", "Erase these {persons} persons for good", question.persons)
    return sentence.format(persons=formats.number(question.persons, 0))


def allowed() -> str:
    """Return what is said once an owner has said yes."""
    return _("They are erased within the hour.")


def waiting(asked: list[ErasureQuestion], *, is_clock: bool) -> str:
    """Return in one line what an owner is asked; empty where nothing is."""
    if is_clock:
        return _("The clock of this service has jumped; nobody is erased by age.")
    persons_ = sum(each.persons for each in asked if not each.allowed)
    if not persons_:
        return ""
    sentence = ngettext("The time of {persons} person is over.", "The time of {persons} persons is over.", persons_)
    return sentence.format(persons=formats.number(persons_, 0))
