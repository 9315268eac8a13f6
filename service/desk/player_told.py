"""What the desk says of one player: what is known, the bows they played, what they agreed to, and what came when."""

import datetime as dt
from collections.abc import Iterator, Sequence

from model.domain.vocabulary import SCALES, Criterion
from service.core import formats, language, phrases, times
from service.core.language import _, ngettext
from service.players import tastes
from service.players.overview import Bow
from service.questionnaire import answer_summary
from service.questionnaire.steps import in_order
from service.trials import desk_lines, desk_words, trial_words
from service.trials.desk_records import PlayerPage, TrialRow
from service.web.desk_forms import Fact, ListLine, address

MINUS = "\u2212"


# What is known


def lasting(found: PlayerPage) -> tuple[Fact, ...]:
    """Return the answers that hold from one visit to the next, as far as they were given."""
    unsaid = _("not answered")
    lines = answer_summary.lines(found.lasting) if found.lasting else ()
    return tuple((line.question, line.answer) for line in lines if line.answer != unsaid)


def known(found: PlayerPage) -> tuple[str, ...]:
    """Say what the marks tell of the player, and how much stands behind it."""
    if found.overview.withheld:
        return (_("There are ratings, but without a yes to helping others they serve their own trial only."),)
    return tuple(_known(found))


def _known(found: PlayerPage) -> Iterator[str]:
    told = found.tastes
    if told.beside_own:
        counts = formats.number(told.above_own, 0), formats.number(told.beside_own, 0)
        yield _("Liked better than the own bow: {count} of {all}.").format(count=counts[0], all=counts[1])
    if told.kinder is not None:
        said = (
            _("On the whole they mark higher than other players marked the same bows.")
            if told.kinder > 0
            else _("On the whole they mark lower than other players marked the same bows.")
        )
        yield said
    if told.higher:
        said = _("Of the same bows they praise this more than others do: {criteria}.")
        yield said.format(criteria=_named(told.higher))
    if told.lower:
        said = _("Of the same bows they praise this less than others do: {criteria}.")
        yield said.format(criteria=_named(told.lower))
    if told.compared >= tastes.LEAST_BOWS and told.kinder is None and not (told.higher or told.lower):
        yield _("Nothing so far sets their marks apart from those that others gave the same bows.")
    if found.overview.blind:
        yield _("The ratings of a trial that is still blind are left out until it is closed or revealed.")
    yield _behind(found)


def _named(criteria: Sequence[Criterion]) -> str:
    return formats.listed([formats.within(_(SCALES[each].name)) for each in criteria])


def _behind(found: PlayerPage) -> str:
    """Say how much stands behind what is said of somebody's tastes."""
    told, trials = found.tastes, found.row.trials
    if not told.bows:
        return _("No bow was marked yet, so nothing is known of their tastes but what they told.")
    counts = {"trials": formats.trials(trials), "bows": formats.bows(told.bows)}
    if trials < tastes.FEW_TRIALS or told.compared < tastes.LEAST_BOWS:
        return _("Little stands behind this: {trials}, {bows} marked.").format(**counts)
    return _("This rests on {trials} and {bows}.").format(**counts)


# The bows they played


def rows(bows: Sequence[Bow]) -> tuple[Bow, ...]:
    """Return the bows by instrument, the own one first, as what the others are held against."""
    return tuple(sorted(bows, key=lambda bow: (str(bow.instrument), bow.copy is not None)))


def columns(bows: Sequence[Bow]) -> tuple[Criterion, ...]:
    """Return the criteria beside the mark as a whole that were rated on any bow."""
    return tuple(each for each in SCALES if each is not Criterion.OVERALL and any(each in bow.ratings for bow in bows))


def criterion(name: Criterion) -> str:
    """Return a criterion's short name."""
    return _(SCALES[name].name)


def bow_name(bow: Bow) -> str:
    """Name a bow: its serial, the own one by its instrument."""
    if bow.copy is None:
        return _("The own bow, {instrument}").format(instrument=_(phrases.INSTRUMENTS[bow.instrument]))
    return bow.copy


def bow_href(bow: Bow) -> str:
    """Return where a bow of the range is shown, empty for the own one."""
    return "" if bow.copy is None else address("stock", bow.copy)


def played(bow: Bow) -> str:
    """Say when a bow was played last, and how often."""
    if bow.played.on is None:
        return _("as told")
    day = formats.day(bow.played.on)
    if bow.played.plays == 1:
        return day
    return _("{day}, played {count} times").format(day=day, count=bow.played.plays)


def mark(bow: Bow, name: Criterion) -> str:
    """Return the mean mark of a bow on a criterion, a dash where there is none."""
    given = bow.played.mark if name == Criterion.OVERALL else bow.ratings.get(name)
    return "–" if given is None else formats.mark(given)


def against_own(bow: Bow, bows: Sequence[Bow]) -> str:
    """Return how many points more or less than the own bow a bow was given; a dash where that cannot be said."""
    own = next((each for each in bows if each.copy is None and each.instrument == bow.instrument), None)
    if own is None or own is bow or own.played.mark is None or bow.played.mark is None:
        return "–"
    points = round(bow.played.mark - own.played.mark, 1)
    if not points:
        return _("the same")
    return f"{'+' if points > 0 else MINUS}{formats.mark(abs(points))}"


# What they agreed to


def agreed(found: PlayerPage) -> tuple[tuple[str, str, str, str], ...]:
    """Return for each consent what it is for, what was said, when, and in which words."""
    may_write = (_("Mail"), _("yes, we may write") if found.mail_consent else _("no, do not write"))
    helps = (_("Ratings may help to advise others"), _("yes, without the name") if found.row.in_model else _("no"))
    kept = (_("Name and address kept"), _("yes") if found.since else _("no"))
    return (
        (*kept, *_said(found, "advice", found.since)),
        (*may_write, *_said(found, "mail", None)),
        (*helps, *_said(found, "model", found.asked_at, holds=found.row.in_model)),
    )


def _said(found: PlayerPage, name: str, at: dt.datetime | None, *, holds: bool = True) -> tuple[str, str]:
    """Return when a consent was last given or refused, and in which words: the form's, or those of whoever asked in the shop."""
    rows = [row for row in found.agreed if bool(row.given.get(name)) is holds]
    row = next((row for row in rows if name != "model" or row.at == at), None)
    asked_at = row.at if row and name != "advice" else at
    day = times.day(asked_at) if asked_at else ""
    if row is None:
        return day, _("Told to the staff.") if asked_at else _("Was not asked.")
    with language.using(row.language):
        field = f"consent_{name}"
        words = _(next(question.asked.ask for question in in_order() if question.asked.field == field))
    return day, _("On the form: “{words}”").format(words=words)


# What came when


def timeline(found: PlayerPage) -> tuple[ListLine, ...]:
    """Return enquiries, trials and what came of them in one line of time, newest first; ``state`` is the day."""
    numbers = {row.key: desk_lines.trial_number(row.number, row.key) for row in found.trials}
    dated = [
        *((row.on, 2, _outcome(key, numbers, trial_words.outcome_short(row), row.on)) for key, row in found.outcomes),
        *((row.on, 1, _trial(row, numbers[row.key])) for row in found.trials),
        *(
            (times.local(row.created_at).date(), 0, _enquiry(desk_lines.enquiry_line(row), row.created_at))
            for row in found.enquiries
        ),
    ]
    return tuple(line for *_order, line in sorted(dated, key=lambda each: each[:2], reverse=True))


def _outcome(key: str, numbers: dict[str, str], said: str, on: dt.date) -> ListLine:
    return ListLine(said, numbers.get(key, key), formats.day(on), address("trials", key), "")


def _trial(row: TrialRow, number: str) -> ListLine:
    line = desk_lines.trial_line(row)
    instrument = formats.capital(desk_lines.instrument(row.instrument, row.hold))
    facts = f"{formats.NBSP}· ".join((instrument, desk_words.place(row.place), line.state))
    return ListLine(number, facts, formats.day(row.on), line.href, "")


def _enquiry(line: ListLine, at: dt.datetime) -> ListLine:
    facts = f"{line.facts}{formats.NBSP}· {line.state}"
    return ListLine(_("Enquiry"), facts, formats.day(at.date()), line.href, "")


def next_step(found: PlayerPage) -> tuple[ListLine, ...]:
    """Return what is to be done next for the player, one line or none."""
    composed = [row for row in found.trials if row.number is not None]
    ways = (
        *(desk_lines.trial_line(row, _("See how it stands")) for row in composed if row.state == "open"),
        *(
            desk_lines.trial_line(row, _("Say what came of it"))
            for row in composed
            if row.state == "closed" and row.outcome is None
        ),
        *(desk_lines.trial_line(row, _("Look at it")) for row in composed if row.state == "planned"),
        *(desk_lines.enquiry_line(row) for row in found.enquiries if not row.trials and row.settled_at is None),
    )
    return ways[:1]


def joined(found: PlayerPage) -> tuple[ListLine, ...]:
    """Return the keys that were joined, each to be parted."""
    return tuple(
        ListLine(
            desk_lines.somebody(each.name),
            _("{trials}, joined on {day}").format(trials=formats.trials(each.trials), day=times.day(each.at)),
            each.key,
            address("players", each.key, "part"),
            _("Part them"),
        )
        for each in found.joined
    )


def may_be(found: PlayerPage) -> str:
    """Say that others have the same name or address, which may be the same person."""
    count = len(found.alike)
    if not count:
        return ""
    return ngettext(
        "Another player here has the same name or address.",
        "{count} other players here have the same name or address.",
        count,
    ).format(count=formats.capital(formats.counted(count)))


def contact(found: PlayerPage) -> tuple[Fact, ...]:
    """Return by what the player is known and reached."""
    row = found.row
    named = ((_("Key"), row.key), (_("E-mail"), row.email), (_("Telephone"), row.phone))
    return tuple((label, value) for label, value in named if value)
