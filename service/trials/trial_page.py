"""The page of one trial, from what the use cases say of it."""

import datetime as dt
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import segno

from model.domain.vocabulary import LOWEST, OutcomeKind
from service.advice import interval_pictures
from service.core import formats, times
from service.core.language import _, ngettext
from service.trials import desk_lines, desk_words, outcomes, sittings, trial_words
from service.trials.desk_records import CaseRow, SheetRow, TrialPage
from service.trials.paired_comparison import Handing
from service.trials.standing import BowStanding, StandingView
from service.trials.trial_data import OutcomePart, SeatPart, SlotLine
from service.trials.trial_record import still_odd
from service.web.desk_forms import Fact, ListLine, address
from service.web.page_data import Option

_HEARD = ("overall", "tone", "clarity", "carrying")
_OWN = "own"
BY_LETTER = "letter:"
"""Before a bow that is named by its letter: the key is not revealed yet."""


def order(trial: TrialPage) -> tuple[SlotLine, ...]:
    """Return the places in the order of playing, the next one marked."""
    rated = sittings.rated(trial.sheets)
    open_ = trial.row.state == "open"
    following = next((slot.position for slot in trial.slots if slot.position not in rated), None) if open_ else None
    lines = []
    for slot in trial.slots:
        place, name = slot.position, trial_words.bow_name((slot.letter,), slot.own)
        lines.append(SlotLine(place, name, place in rated, place == following, named(slot.copy, slot.tier_name)))
    return tuple(lines)


def handover(trial: TrialPage, lines: tuple[SlotLine, ...]) -> str:
    """Say what to hand over next, and what after it; empty where nothing is handed over."""
    if desk_lines.is_by_post(trial.row):
        return ""
    ahead = [_handed(line) for line in lines if line.here or (not line.done and trial.row.state == "open")]
    if not ahead:
        return ""
    if len(ahead) == 1:
        return _("Hand over last: {bow}.").format(bow=ahead[0])
    return _("Hand over next: {bow}. After it: {then}.").format(bow=ahead[0], then=ahead[1])


def _handed(line: SlotLine) -> str:
    """Name a bow to be handed over: by its letter, and by its serial where that may be seen."""
    return _("{bow} ({serial})").format(bow=line.name, serial=line.revealed) if line.revealed else line.name


def named(copy: str | None, tier: str | None) -> str:
    """Name a bow by serial and tier; empty before the key is revealed."""
    if copy is None:
        return ""
    return _("{serial}, {tier}").format(serial=copy, tier=tier) if tier else copy


# Words that the template asks for: of the next step

next_step = trial_words.next_step


def asked_condition(trial: TrialPage, step: str) -> tuple[str, ...]:
    """Return the bows, by serial, whose condition is asked for with a step."""
    if step == "send":
        return tuple(row.copy for row in trial.case)
    return tuple(row.copy for row in trial.case if step == "take-back" and row.is_out)


# Of how the bows stand

progress = trial_words.progress


def picture(bows: Sequence[BowStanding]) -> interval_pictures.LikingPicture | None:
    """Lay out the picture of the bows that were rated; None while there is none."""
    rated = [bow for bow in bows if bow.expected is not None and not bow.own]
    if not rated:
        return None
    own = next((bow for bow in bows if bow.own and bow.expected is not None), None)
    return interval_pictures.laid_out(
        _("How the player likes each bow, as far as the sheets tell"),
        _describe(rated, own),
        [(trial_words.bow_name(bow.letters, bow.own), *_ends(bow)) for bow in rated],
        _ends(own)[1] if own else None,
        _("own bow"),
    )


def _ends(bow: BowStanding) -> tuple[float, float, float]:
    """Return low, expected and high of a bow that was rated."""
    middle = bow.expected if bow.expected is not None else float(LOWEST)
    return (middle if bow.low is None else bow.low, middle, middle if bow.high is None else bow.high)


def _describe(rated: Sequence[BowStanding], own: BowStanding | None) -> str:
    """Tell the picture in words, for those who cannot see it."""
    parts = [_("On a scale from 1 to 7.")]
    if own is not None:
        parts.append(_("Own bow: {level}.").format(level=formats.number(_ends(own)[1])))
    sentence = _("{bow}: {expected}, from {low} to {high}.")
    for bow in rated:
        low, expected, high = (formats.number(value) for value in _ends(bow))
        name = trial_words.bow_name(bow.letters, bow.own)
        parts.append(sentence.format(bow=name, expected=expected, low=low, high=high))
    return " ".join(parts)


def advice(view: StandingView, trial: TrialPage) -> str:
    """Say what to do next; nobody is told to go on where nobody plays, and nothing is to be done once a bow was kept."""
    if trial.row.outcome is OutcomeKind.KEPT:
        return ""
    is_over = trial.row.state != "open"
    said = _("The trial ended before anything was rated.") if is_over and not view.sheets_in else ""
    return said or view.recommendation.text


def alone(view: StandingView) -> bool:
    """Say whether only one bow is rated."""
    return sum(bow.best is not None for bow in view.bows) == 1


def remarks(view: StandingView, trial: TrialPage) -> tuple[str, ...]:
    """Return what else is to be said; not what the page has told of the trial already."""
    return tuple(filter(None, (view.drift, view.repeat, *(flag for flag in view.flags if flag not in trial.flags))))


def heard_by(view: StandingView) -> tuple[str, ...]:
    """Return the criteria that listeners rated."""
    return tuple(name for name in _HEARD if any(name in row.ratings for row in view.listener))


# Of one bow or sheet

bow_name, criterion = trial_words.bow_name, trial_words.criterion
rating, sender = trial_words.rating, trial_words.sender


def figure(value: float | None) -> str:
    """Return a mean or an expected liking, a dash where nothing is rated yet."""
    return "–" if value is None else formats.number(value)


def nine_in_ten(bow: BowStanding) -> str:
    """Return where a bow's liking lies."""
    return "–" if bow.low is None or bow.high is None else formats.interval(bow.low, bow.high)


def best(bow: BowStanding, alone: bool) -> str:
    """Say how likely a bow is the best one; while only one is rated, nothing is said of which is the best."""
    return "–" if alone and bow.best is not None else trial_words.best(bow)


def flags(sheet: SheetRow) -> tuple[str, ...]:
    """Return a sentence for each thing to look at in a sheet."""
    return desk_words.flags(still_odd(sheet))


def any_odd(trial: TrialPage) -> bool:
    """Say whether there is something to look at in any sheet."""
    return any(not sheet.counts or flags(sheet) for sheet in trial.sheets)


def may_count(sheet: SheetRow) -> bool:
    """Say whether staff may let a sheet count in place of the other one."""
    return not sheet.counts and not {"unknown_letter", "after_reveal"} & set(sheet.flags.split())


def status(bow: CaseRow) -> str:
    """Say what a bow of the case is now."""
    return desk_words.word(desk_words.STATUSES, bow.status)


def insured(row: CaseRow) -> str:
    """Return what a bow is insured for, words where that is not known."""
    if row.insured_value is None:
        return _("not known")
    return formats.money(row.insured_value, row.currency) if row.currency else formats.number(row.insured_value, 2)


def about(trial: TrialPage) -> tuple[Fact, ...]:
    """Return what else is known of the trial."""
    return tuple((label, value) for label, value in _about(trial) if value)


def _about(trial: TrialPage) -> Iterator[tuple[str, str]]:
    # A trial that was read from a file had no case, and how long it took is not known.
    bows = trial.row.copies or len({slot.copy for slot in trial.slots if slot.copy})
    yield _("Bows"), formats.capital(formats.bows(bows))
    yield _("Time"), formats.minutes(trial.minutes) if trial.minutes else ""
    yield _("Promise"), trial_words.promised(trial.plan)
    yield _("Hidden repeat"), trial_words.repeat(trial)
    yield _("Country"), desk_lines.country(trial.country)
    yield _("Materials"), trial_words.confirmed(trial)
    yield _("Due back"), formats.day(trial.row.due_back) if trial.row.due_back else ""
    if trial.created_at is not None:
        yield _("Composed"), _done(trial.created_at, trial.made_by)
    if trial.revealed_at is not None:
        yield _("Key revealed"), _done(trial.revealed_at, trial.revealed_by)
    yield _("Note"), trial.note or ""


def _done(at: dt.datetime, by: str | None) -> str:
    day = times.day(at)
    return _("{day}, by {name}").format(day=day, name=by) if by else day


def related(trial: TrialPage) -> Iterator[ListLine]:
    """Give the player, the enquiry, the pictures of the bows' tiers for the player, and the trials before and after."""
    player = trial.player
    name = desk_lines.somebody(player.name)
    yield ListLine(name, desk_lines.player_facts(player), "", address("players", player.key), _("Show"))
    if trial.enquiry:
        yield ListLine(_("The enquiry"), "", "", f"/desk/enquiries/{trial.enquiry}", _("Show"))
    is_told = trial.row.revealed or trial.row.state == "planned"  # in between the page may lie before the player
    for tier, tier_name in dict.fromkeys((bow.tier, bow.tier_name) for bow in trial.case if is_told):
        yield desk_lines.tier_picture(tier, tier_name, player=player.key)
    others = [(trial.previous, _("The trial before"))] if trial.previous else []
    for (key, number), words_of in [*others, *((link, _("The trial after")) for link in trial.follow_ups)]:
        yield ListLine(desk_lines.trial_number(number, key), words_of, "", address("trials", key), _("Show"))


def seat(rater: str, address: str) -> SeatPart:
    """Return the link of a rater with its QR code (ISO/IEC 18004); ``address`` '' while there is none."""
    title, why = {
        "player": (
            _("The player’s phone"),
            _("The same sheets on the player’s own phone: for a trial by post, or where no tablet is at hand."),
        ),
        "listener": (
            _("The listener’s phone"),
            _("Somebody who listens from across the room rates too, under the same letters."),
        ),
    }[rater]
    if not address:
        return SeatPart(rater, title, why, "", "", 0)
    path, size = qr(address)
    return SeatPart(rater, title, why, address, path, size)


def qr(text: str) -> tuple[str, int]:
    """Return the dark modules of a QR code as the path of an SVG picture, and its side in modules, the quiet zone included."""
    border = 4
    rows: list[Any] = list(segno.make(text, micro=False, error="m").matrix)
    squares = (
        f"M{x + border} {y + border}h1v1h-1z" for y, row in enumerate(rows) for x, dark in enumerate(row) if dark
    )
    return "".join(squares), len(rows) + 2 * border


def hands_over(hands: Handing | None, trial: TrialPage) -> bool:
    """Say whether a head-to-head has a place: one that goes on, or a trial in which one may begin."""
    may_begin = trial.row.state == "open" and not desk_lines.is_by_post(trial.row)
    return bool(trial.slots) and (hands is not None or may_begin)


def pairable(trial: TrialPage) -> tuple[Option, ...]:
    """Return the bows to choose two from; none of a trial that is over."""
    bows = [Option(slot.letter, bow_name((slot.letter,), own=False)) for slot in trial.slots if not slot.own]
    own = [Option(_OWN, bow_name((), own=True))] if any(slot.own for slot in trial.slots) else []
    return (*bows, *own) if trial.row.state == "open" else ()


def _bow(letter: str) -> str:
    return bow_name((letter,), not letter)


def pair(hands: Handing) -> str:
    """Name the two bows of a head-to-head."""
    return _("{one} and {other}").format(one=_bow(hands.letters[0]), other=_bow(hands.letters[1]))


def ahead(hands: Handing) -> str:
    """Name the bows handed over first in the pairs to come."""
    return ", ".join(map(_bow, hands.ahead))


def answered(hands: Handing) -> str:
    """Say what the pairs so far tell; empty before the first."""
    if not hands.pairs:
        return ""
    one, other = map(_bow, hands.letters)
    return ngettext(
        "{pairs} pair was answered: {one} was preferred in {first}, {other} in {second}.",
        "{pairs} pairs were answered: {one} was preferred in {first}, {other} in {second}.",
        hands.pairs,
    ).format(pairs=hands.pairs, one=one, first=hands.preferred[0], other=other, second=hands.preferred[1])


def next_pair(hands: Handing) -> str:
    """Say which bows to hand over next; empty once it is over."""
    if hands.number is None or hands.first is None or hands.second is None:
        return ""
    return _("Pair {number}: hand over {first} first, then {second}.").format(
        number=hands.number, first=_bow(hands.first), second=_bow(hands.second)
    )


def outcome(trial: TrialPage, stood: Sequence[str] = (), currency: str = "") -> OutcomePart | None:
    """Return the taps by which it is recorded what came of a trial; None while there is nothing to record.

    ``stood``: letters, the best first, in which order the bows are offered. ``currency``: of a price paid.
    """
    recorded = tuple(trial_words.outcome_noted(row) for row in trial.outcomes)
    if "outcome" not in trial.may:
        return OutcomePart(asked=False, recorded=recorded, kept=(), none=(), returned=()) if recorded else None
    held = sorted(outcomes.held(trial.outcomes))
    returned = [option for serial in held for option in _because("returned", serial)]
    return OutcomePart(
        asked=trial.row.state == "closed" and not recorded,
        recorded=recorded,
        kept=_kept(trial, {letter: place for place, letter in enumerate(stood)}),
        none=tuple(_because("none", "")),
        returned=tuple(returned),
        held=tuple(held),
        currency=currency,
    )


def _because(what: str, serial: str) -> Iterator[Option]:
    """Yield one tap for each reason why nothing was kept, or a bow came back."""
    for reason, words_of in desk_words.REASONS.items():
        yield Option(f"{what} {reason} {serial}".strip(), formats.capital(_(words_of)), serial)


def _kept(trial: TrialPage, stood: Mapping[str, int]) -> tuple[Option, ...]:
    """Return one tap for each bow that may be kept: by its letter, and by its serial too once the key is revealed."""

    def place(letter: str) -> tuple[int, str]:
        return stood.get(letter, len(stood)), letter

    if not trial.row.revealed:
        letters = sorted((slot.letter for slot in trial.slots if not slot.own), key=place)
        return tuple(
            Option(f"kept - {BY_LETTER}{letter}", trial_words.bow_name((letter,), own=False)) for letter in letters
        )
    letters_of = {slot.copy: slot.letter for slot in reversed(trial.slots) if slot.copy}
    offered = []
    for row in sorted(trial.case, key=lambda row: place(letters_of.get(row.copy, ""))):
        letter, hint = letters_of.get(row.copy), row.tier_name
        hint = hint if letter is None else _("{tier}, bow {letter}").format(tier=hint, letter=letter)
        offered.append(Option(f"kept - {row.copy}", row.copy, hint))
    return tuple(offered)


def swap(trial: TrialPage, stock: tuple[Option, ...]) -> tuple[tuple[Option, ...], tuple[Option, ...]]:
    """Return the bows that may be taken out of a planned trial, and those of the stock that may come in."""
    case_copies = {row.copy for row in trial.case}
    choices_out = (
        Option("", _("none: add one")),
        *(Option(row.copy, f"{row.copy}, {row.tier_name}") for row in trial.case),
    )
    return choices_out, (Option("", _("none: drop one")), *(bow for bow in stock if bow.value not in case_copies))
