"""One trial as the desk sees it: where it stands, its bows, its sheets by letter, and what may be done now."""

import datetime as dt
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from sqlalchemy import Select, select
from sqlalchemy.orm import Session

from model.domain.vocabulary import OutcomeKind, Place
from service.core.language import _
from service.core.prepared import prepared
from service.tables import Composition, Copy, Dealer, Trial, TrialCopy
from service.trials import materials, whole_trial
from service.trials.desk_records import CaseRow, Materials, OutcomeRow, SheetRow, SlotRow, TrialPage, TrialRow
from service.trials.whole_trial import TrialRecord

_READ = ("row", "player", "previous", "follow_ups", "made_by", "revealed_by", "case", "sheets")
_HOW = ("answers", "plan", "minutes", "own_plays", "repeat", "country", "enquiry", "note")
_COMPOSED = (*_HOW, "created_at", "closed_at", "revealed_at")
"""What a trial's page has as the record, or its composition, has it."""


def trial(session: Session, dealer: str, key: str, today: dt.date | None = None) -> TrialPage:
    """Return one trial, composed here or read from a file; raises `NotFoundError`."""
    return page_of(whole_trial.read(session, dealer, key, today))


def page_of(record: TrialRecord) -> TrialPage:
    """Return a trial that was read already as the desk sees it; of one from a file its bows by place, nothing to be done."""
    composition = record.composition or Composition(answers={}, plan={}, minutes=0, own_plays=0, repeat=False)
    row, case, told = record.row, record.case, _outcomes(record)
    needed = _materials(record, composition)
    is_from_file = record.composition is None
    return TrialPage(
        **{name: getattr(composition, name) for name in _COMPOSED},
        **{name: getattr(record, name) for name in _READ},
        dealer_name=record.shop.name,
        materials=needed,
        slots=_slots_of_file(record) if is_from_file else _slots(record, record.slots),
        later=_slots(record, record.later),
        outcomes=told,
        flags=_flags(record, told),
        may=frozenset() if is_from_file else _may(row, case, needed, composition),
    )


# Parts


def _slots(record: TrialRecord, places: tuple[SlotRow, ...]) -> tuple[SlotRow, ...]:
    """Return places by letter; which bow a letter is only once the key is revealed."""
    if record.row.revealed:
        return places
    return tuple(replace(slot, copy=None, tier_name=None) for slot in places)


def _slots_of_file(record: TrialRecord) -> tuple[SlotRow, ...]:
    rated = ((run, tier) for run, tier in record.runs if run.rater == "player")
    return tuple(SlotRow(run.position, "", run.copy is None, run.copy, tier) for run, tier in rated)


def _outcomes(record: TrialRecord) -> tuple[OutcomeRow, ...]:
    return tuple(OutcomeRow.of(row, name) for row, name in record.outcomes)


def _materials(record: TrialRecord, composition: Composition) -> Materials:
    made_of = ((bow.copy, bow.materials) for bow in record.case)
    by_post = record.row.place is Place.POST and record.case
    copies = materials.to_confirm(composition, record.shop, made_of) if by_post else ()
    confirmed_at, confirmed_by = composition.materials_confirmed_at, composition.materials_confirmed_by
    waits = bool(copies) and confirmed_at is None and composition.state == "planned"
    return Materials(
        needed=bool(copies), waits=waits, copies=copies, confirmed_at=confirmed_at, confirmed_by=confirmed_by
    )


# What staff should know, and what they may do


def _flags(record: TrialRecord, told: Sequence[OutcomeRow]) -> tuple[str, ...]:
    row, case = record.row, record.case
    kept = {each.copy for each in told if each.outcome is OutcomeKind.KEPT}
    gone = {
        "sold": _("{copy} was sold while it is on this trial; its ratings still count."),
        "withdrawn": _("{copy} was withdrawn while it is on this trial; its ratings still count."),
        "in_repair": _("{copy} went into repair while it is on this trial."),
    }
    sentences = [
        gone[bow.status].format(copy=bow.copy)
        for bow in case
        if bow.status in gone and bow.copy not in kept and (row.state in ("planned", "open") or bow.is_out)
    ]
    elsewhere = _("{copy} is still out on another trial; if it is not back in time, exchange it.")
    sentences += [
        elsewhere.format(copy=bow.copy) for bow in case if row.state == "planned" and bow.status == "on_trial"
    ]
    return (*sentences, *sheet_flags(record))


def still_odd(sheet: SheetRow) -> tuple[str, ...]:
    """Return a sheet's flags without what staff settled when they chose it from two."""
    return tuple(flag for flag in sheet.flags.split() if not (sheet.counts and flag == "other_device"))


def sheet_flags(record: TrialRecord) -> tuple[str, ...]:
    """Return a sentence for each thing that staff should look at in a trial's sheets."""
    raised = {flag for sheet in record.sheets for flag in still_odd(sheet)}
    told = (
        ({"conflict", "other_device"}, _("More than one sheet came for one bow; look which of them counts.")),
        ({"unknown_letter"}, _("A sheet names a letter that is not in this trial; it is kept, but does not count.")),
        ({"after_reveal"}, _("A sheet was changed after the key was revealed; the blind one counts.")),
        ({"late"}, _("A sheet came after the trial was closed; it is kept.")),
        ({"overdue"}, _("A sheet was rated after the day by which the bows were due; it is kept.")),
        ({"cancelled"}, _("A sheet came after the trial was cancelled; it is kept, but does not count.")),
    )
    return tuple(sentence for names, sentence in told if names & raised)


def _may(row: TrialRow, case: Sequence[CaseRow], needed: Materials, composition: Composition) -> frozenset[str]:
    """Return what may be done now; opened again is a trial that is closed, and whose key was not revealed since."""
    by_post, state = row.place is Place.POST, row.state
    closed, revealed = composition.closed_at, composition.revealed_at
    verbs = {
        "open": state == "planned" and not by_post,
        "confirm": state == "planned" and needed.waits,
        "send": state == "planned" and by_post and not needed.waits,
        "swap": state == "planned",
        "move": state == "planned",
        "cancel": state in ("planned", "open"),
        "close": state == "open",
        "take_back": any(bow.is_out for bow in case),
        "reveal": state != "planned" and not row.revealed,
        "outcome": state in ("open", "closed"),
        "follow_up": state in ("open", "closed"),
        "reopen": state == "closed" and (revealed is None or (closed is not None and revealed < closed)),
    }
    return frozenset(verb for verb, allowed in verbs.items() if allowed)


def waiting_parcels(session: Session, dealer: str) -> frozenset[str]:
    """Return by key the planned trials whose parcels wait for their materials to be confirmed."""
    return frozenset(
        key
        for key, materials_of, shop, serial, named in session.execute(*_unconfirmed(dealer))
        if materials.to_confirm(materials_of, shop, [(serial, named)])
    )


@prepared
def _unconfirmed(dealer: str) -> Select[*tuple[Any, ...]]:
    return (
        select(Trial.key, Composition, Dealer, Copy.serial, Copy.materials)
        .join(Composition, Composition.trial == Trial.id)
        .join(Dealer, Dealer.slug == Composition.dealer)
        .join(TrialCopy, TrialCopy.trial == Composition.trial)
        .join(Copy, Copy.serial == TrialCopy.copy)
        .where(Composition.dealer == dealer, Composition.state == "planned", Trial.place == Place.POST)
        .where(Composition.materials_confirmed_at.is_(None))
    )
