"""What is printed for a trial, from what the use cases say of it: the paper form, letters, the key, packing list and loan note."""

from typing import Any

from model.domain.vocabulary import LEADING, SCALES, Blinding, Criterion
from service.advice import words
from service.core import formats, phrases
from service.core.language import N_, _
from service.trials import desk_lines, sittings, trial_words
from service.trials import strokes as stroke_words
from service.trials.desk_records import CaseRow, SlotRow, TrialPage
from service.trials.trial_page import insured, seat
from service.web.page_data import Option

PAPERS = {
    "result": (N_("The player’s result"), N_("which bow was which, and the player’s own marks")),
    "sheet": (N_("Trial sheet"), N_("the paper form, for all bows")),
    "letters": (N_("Letters and loops"), N_("for the slots of the case and for the buttons")),
    "key": (N_("The key"), N_("which bow is behind which letter; for the adviser only")),
    "parcel": (N_("Packing list and loan note"), N_("for the parcel; what the bows are worth together")),
    "loan": (N_("Loan note for the file"), N_("stays here; every bow by serial with its value")),
}
"""Every paper, by the last part of its address; parcel and loan are of trials by post, the result of those that are revealed."""
ALL = "all"
"""All of them as one document."""

_BY_SERIAL = N_("The serials stand here without their letters, so that the trial stays blind.")
_BY_LETTER = N_(
    "Each bow stands here by its letter alone, so that the trial stays blind. Serials, materials and values of each are "
    "on the loan note that stays with the dealer, and are told once it is revealed which bow is which."
)
Packed = tuple[str, str, str, str]
"""One bow in the parcel: its serial, materials, condition and value, or its letter and condition alone."""


def papers(trial: TrialPage) -> tuple[str, ...]:
    """Return a trial's papers in the order in which they are handed out; what the adviser alone may see comes last."""
    post = ("parcel", "loan") if desk_lines.is_by_post(trial.row) else ()
    return ("sheet", "letters", *post, "key")


def prints(trial: TrialPage) -> tuple[Option, ...]:
    """Return the papers of a trial, none of one from a file; ``value`` is the last part of each address."""
    if not trial.slots or trial.row.number is None:
        return ()
    there = {*papers(trial), *(["result"] if trial.row.revealed and trial.row.state != "cancelled" else [])}
    found = [Option(name, _(label), _(hint)) for name, (label, hint) in PAPERS.items() if name in there]
    later = sittings.upcoming(trial)
    if later is not None:
        label, hint = _("Trial sheet, sitting {number}"), _("the same bows in the other order, for another day")
        place = [each.value for each in found].index("sheet") + 1
        found.insert(place, Option(f"sheet?sitting={later}", label.format(number=later), hint))
    return tuple(found)


# Words that the templates ask for: of every paper


def heading(trial: TrialPage) -> str:
    """Return what stands small above the title."""
    return f"{trial.dealer_name}{formats.NBSP}· {number(trial)}{formats.NBSP}· {formats.day(trial.row.on)}"


def number(trial: TrialPage) -> str:
    """Name the trial by its number."""
    return desk_lines.trial_number(trial.row.number, trial.row.key)


def title(trial: TrialPage) -> str:
    """Name the trial and whom it is with."""
    return desk_lines.trial_title(trial.row)


# Of the paper form


def instrument(trial: TrialPage) -> str:
    """Name the instrument, of the double bass with the hold."""
    return formats.capital(desk_lines.instrument(trial.row.instrument, trial.row.hold))


def plays(trial: TrialPage) -> tuple[str, ...]:
    """Return what to play on every bow."""
    return words.what_to_play(trial.row.instrument, trial.answers.get("settings", ()))


def cautions() -> tuple[str, ...]:
    """Return what whoever plays is to mind."""
    return tuple(_(phrases.CAUTIONS[code]) for code in ("pain", "bow_care"))


def rows(trial: TrialPage) -> list[tuple[str, str, str, str]]:
    """Return the rows that lead for the instrument: name, question, words of both ends."""
    asked = (SCALES[criterion] for criterion in (Criterion.OVERALL, *LEADING[trial.row.instrument]))
    return [(_(scale.name), _(scale.question), _(scale.low), _(scale.high)) for scale in asked]


def place(slot: SlotRow, everything: int) -> str:
    """Say which place of its sitting it is of how many."""
    return _("{number} of {all}").format(number=(slot.position - 1) % everything + 1, all=everything)


def sitting(trial: TrialPage) -> str:
    """Say which sitting the places are of; empty for the first."""
    number = trial.slots[0].sitting
    return "" if number == 1 else _("Sitting {number}: another day, the same letters").format(number=number)


def bow(slot: SlotRow) -> str:
    """Name the bow of a place."""
    return _("Your own bow") if slot.own else trial_words.bow_name((slot.letter,), own=False)


def strokes(trial: TrialPage) -> list[str]:
    """Return the strokes of the playable range in a line each, by their numbers."""
    return stroke_words.short(trial.row.instrument, trial.answers.get("string_length_mm"))


def stroke_order(trial: TrialPage, slot: SlotRow) -> list[int]:
    """Return the numbers of a bow's strokes in the order in which they are played."""
    return [number + 1 for number in stroke_words.order(trial.row.key, slot.position, slot.letter)]


# Of the letters and the key


def letters(trial: TrialPage) -> list[str]:
    """Return the letters in the order of the alphabet, so that their order tells nothing."""
    return sorted(slot.letter for slot in trial.slots if not slot.own)


def repeat(slots: tuple[SlotRow, ...]) -> str:
    """Say which bow comes twice; empty where none does."""
    by_copy: dict[str, list[str]] = {}
    for slot in slots:
        if slot.copy:
            by_copy.setdefault(slot.copy, []).append(slot.letter)
    twice = [(copy, found) for copy, found in by_copy.items() if len(found) > 1]
    if not twice:
        return ""
    copy, found = twice[0]
    return _(
        "{letters} are one and the same bow, {copy}: hand it over under each of them, and change its loop."
    ).format(letters=formats.listed(found), copy=copy)


def parcel(trial: TrialPage, key: tuple[SlotRow, ...], link: str) -> dict[str, Any]:
    """Return what stands on the packing list and loan note that travels with the bows.

    While the player is not to know which bow is which it names letters, and what all are insured for together: what one bow
    is worth, is made of, or its serial would tell. Then, and in an open trial, it holds the same as `loan`.

    ``key``: which bow each letter is. ``link``: to the player's sheets, '' for none.
    """
    if trial.row.revealed or trial.row.blinding is Blinding.OPEN:
        return _loan_note(trial, _packed(trial.case), link)
    letters = {slot.copy: slot.letter for slot in key if slot.copy}
    bows = sorted(
        (trial_words.bow_name((letters[bow.copy],), own=False), bow.condition_out or "") for bow in trial.case
    )
    rows = tuple((name, "", condition, "") for name, condition in bows)
    return _loan_note(trial, rows, link)


def loan(trial: TrialPage) -> dict[str, Any]:
    """Return what stands on the loan note that stays with the dealer: every bow by serial, with its value, and without its letter."""
    return _loan_note(trial, _packed(trial.case), None)


def _loan_note(trial: TrialPage, rows: tuple[Packed, ...], link: str | None) -> dict[str, Any]:
    """Return what stands on either paper, by name; ``link`` None: on the one that stays.

    ``details``: each bow's serial, materials and value. ``made_of``: what the bows are made of, all together.
    """
    row, waits = trial.row, trial.materials.waits
    total, complete = _total(trial.case)
    details = any(value for _name, _materials, _condition, value in rows)
    return {
        "details": details,
        "travels": link is not None,
        "note": _(_BY_SERIAL if details else _BY_LETTER),
        "made_of": _made_of(trial.case),
        "dealer_name": trial.dealer_name,
        "player": desk_lines.somebody(row.who),
        "country": desk_lines.country(trial.country) or _("not known"),
        "sent": formats.day(row.on),
        "due_back": formats.day(row.due_back) if row.due_back else _("as agreed"),
        "lead": _("Lent for a trial: {bows}. They stay the property of the lender.").format(
            bows=formats.bows(row.copies)
        ),
        "rows": rows,
        "total": total,
        "total_words": _("Insured for, together") if complete else _("Insured for, together, as far as it is known"),
        "materials": _materials(trial, waits=waits, named=details),
        "shipping": _(phrases.CAUTIONS["shipping"]),
        "seat": seat("player", link) if link else None,
        "terms": _terms(),
        "signatures": (
            _("Sent by: place, date, signature"),
            _("Received complete and in this condition: place, date, signature"),
            _("Sent back by: place, date, signature"),
            _("Back complete and in this condition: place, date, signature"),
        ),
    }


def _packed(case: tuple[CaseRow, ...]) -> tuple[Packed, ...]:
    return tuple((bow.copy, bow.materials or _("not known"), bow.condition_out or "", insured(bow)) for bow in case)


def _made_of(case: tuple[CaseRow, ...]) -> str:
    """Return every material in the parcel once, by the alphabet, so that they tell nothing of one bow."""
    named = sorted({part.strip() for bow in case for part in (bow.materials or "").split(",") if part.strip()})
    unknown = [] if all(bow.materials for bow in case) else [_("not known of every bow")]
    return _("In the parcel, all bows taken together: {materials}.").format(materials="; ".join([*named, *unknown]))


def _total(case: tuple[CaseRow, ...]) -> tuple[str, bool]:
    """Return what the bows are insured for together, in each currency, and whether all of it is known."""
    sums: dict[str, float] = {}
    for bow in case:
        if bow.insured_value is not None:
            sums[bow.currency or ""] = sums.get(bow.currency or "", 0) + bow.insured_value
    said = [formats.money(value, code) if code else formats.number(value, 2) for code, value in sums.items()]
    return ", ".join(said) or _("not known"), all(bow.insured_value is not None for bow in case)


def _materials(trial: TrialPage, *, waits: bool, named: bool) -> str:
    """Say what there is to confirm; ``named``: by serial, else by how many bows."""
    if not trial.materials.needed:
        return _("This parcel crosses no border with listed or unknown material, as far as it is recorded.")
    copies = trial.materials.copies
    bows = formats.listed(copies) if named else formats.bows(len(copies))
    listed = _("Listed or unknown material is in {bows}.").format(bows=bows)
    then = _("The parcel waits until it is confirmed that it may travel.") if waits else trial_words.confirmed(trial)
    return f"{listed} {then}"


def _terms() -> tuple[str, ...]:
    return (
        _("Every bow is looked over when it arrives; what differs from this list is said the same day."),
        _("Loosen the hair after playing, never bend a stick by hand, and take the paper loop off before playing."),
        _("The bows travel back in the same case by the day named above, insured for what stands above."),
    )
