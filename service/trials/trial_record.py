"""One trial as the desk sees it: where it stands, its bows, its sheets by letter, and what may be done now."""

import datetime as dt
from collections.abc import Sequence

from sqlalchemy import select
from sqlalchemy.orm import Session

from model.domain.vocabulary import OutcomeKind, Place
from service import tables
from service.core.errors import NotHere
from service.core.language import _
from service.modelling import model_records
from service.trials import lifecycle, materials, people, trial_rows
from service.trials.desk_records import CaseRow, Materials, OutcomeRow, SheetRow, SlotRow, TrialPage, TrialRow
from service.trials.shared import carried


def trial(session: Session, dealer: str, key: str, today: dt.date | None = None) -> TrialPage:
    """Return one trial, composed here or read from a file; raises `NotHere`."""
    found = trial_rows.trial_rows(session, dealer, tables.Trial.key == key, today=today, files=True)
    if not found:
        raise NotHere
    trial_ = session.scalars(select(tables.Trial).where(tables.Trial.key == key)).one()
    composition = session.get(tables.Composition, trial_.id)
    shop = session.get_one(tables.Dealer, dealer)
    page = _page_of_file if composition is None else _page
    return page(session, shop, found[0], trial_, composition or tables.Composition())


def _page(
    session: Session, shop: tables.Dealer, row: TrialRow, trial_: tables.Trial, composition: tables.Composition
) -> TrialPage:
    case = _case(session, shop.slug, trial_.id)
    told = _outcomes(session, trial_.id)
    needed = _materials(session, trial_, composition)
    sheets = _sheets(session, trial_.id)
    after = select(tables.Composition.trial).where(tables.Composition.previous == trial_.id)
    follow_ups = trial_rows.numbered(session, session.scalars(after).all())
    before = trial_rows.numbered(session, [composition.previous]) if composition.previous else {}
    return TrialPage(
        row=row,
        dealer_name=shop.name,
        player=people.player_row(session, shop.slug, row.player),
        answers=composition.answers,
        plan=composition.plan,
        model_version=composition.model_version,
        minutes=composition.minutes,
        own_plays=composition.own_plays,
        repeat=composition.repeat,
        country=composition.country,
        enquiry=composition.enquiry,
        previous=next(iter(before.values()), None),
        follow_ups=tuple(sorted(follow_ups.values(), key=lambda each: each[1])),
        created_at=composition.created_at,
        made_by=_who(session, composition.made_by),
        opened_at=composition.opened_at,
        closed_at=composition.closed_at,
        revealed_at=composition.revealed_at,
        revealed_by=_who(session, composition.revealed_by),
        materials=needed,
        slots=slots(session, trial_.id, with_copies=row.revealed),
        case=case,
        sheets=sheets,
        outcomes=told,
        flags=_flags(row, case, sheets, told),
        may=_may(row, case, needed) | _may_reopen(composition),
        note=composition.note,
    )


def _page_of_file(
    session: Session, shop: tables.Dealer, row: TrialRow, trial_: tables.Trial, _none: tables.Composition
) -> TrialPage:
    """Return the page of a trial that was read from a file: its bows by place, nothing to be done."""
    return TrialPage(
        row=row,
        dealer_name=shop.name,
        player=people.player_row(session, shop.slug, row.player),
        answers={},
        plan={},
        model_version=None,
        minutes=0,
        own_plays=0,
        repeat=False,
        country=None,
        enquiry=None,
        previous=None,
        follow_ups=(),
        created_at=None,
        made_by=None,
        opened_at=None,
        closed_at=None,
        revealed_at=None,
        revealed_by=None,
        materials=Materials(needed=False, waits=False, copies=(), confirmed_at=None, confirmed_by=None),
        slots=_slots_of_file(session, trial_.id),
        case=(),
        sheets=(),
        outcomes=_outcomes(session, trial_.id),
        flags=(),
        may=frozenset(),
        note=None,
    )


# Parts


def slots(session: Session, trial_: int, *, with_copies: bool) -> tuple[SlotRow, ...]:
    """Return the order by letter; which bow a letter is only where it is asked for."""
    slot = tables.Slot
    found = session.execute(
        select(slot.position, slot.letter, slot.copy, tables.Tier.name)
        .outerjoin(tables.Copy, tables.Copy.serial == slot.copy)
        .outerjoin(tables.Tier, tables.Tier.slug == tables.Copy.tier)
        .where(slot.trial == trial_)
        .order_by(slot.position)
    )
    return tuple(
        SlotRow(position, letter, copy is None, copy if with_copies else None, name if with_copies else None)
        for position, letter, copy, name in found
    )


def _slots_of_file(session: Session, trial_: int) -> tuple[SlotRow, ...]:
    run = tables.Run
    found = session.execute(
        select(run.position, run.copy, tables.Tier.name)
        .outerjoin(tables.Copy, tables.Copy.serial == run.copy)
        .outerjoin(tables.Tier, tables.Tier.slug == tables.Copy.tier)
        .where(run.trial == trial_, run.rater == "player", tables.newest_run())
        .order_by(run.position)
    )
    return tuple(SlotRow(position, "", copy is None, copy, name) for position, copy, name in found)


def _case(session: Session, dealer: str, trial_: int) -> tuple[CaseRow, ...]:
    held = {row.copy: row for row in carried(session, trial_)}
    prices = model_records.prices(session, dealer)
    found = session.execute(
        select(tables.Copy, tables.Tier.name)
        .join(tables.Tier, tables.Tier.slug == tables.Copy.tier)
        .where(tables.Copy.serial.in_(held))
        .order_by(tables.Copy.serial)
    )
    return tuple(_case_row(copy, name, held[copy.serial], prices.get(copy.tier)) for copy, name in found)


def _case_row(copy: tables.Copy, tier_name: str, row: tables.TrialCopy, price: tuple[object, str] | None) -> CaseRow:
    return CaseRow(
        copy=copy.serial,
        tier=copy.tier,
        tier_name=tier_name,
        hold=copy.hold,
        price=None if price is None else float(str(price[0])),
        currency=None if price is None else price[1],
        insured_value=None if copy.insured_value is None else float(copy.insured_value),
        materials=copy.materials,
        unlisted=materials.unlisted(copy.materials),
        status=copy.status,
        mass_g=copy.mass_g,
        out_at=row.out_at,
        back_at=row.back_at,
        condition_out=row.condition_out,
        condition_back=row.condition_back,
    )


def _sheets(session: Session, trial_: int) -> tuple[SheetRow, ...]:
    of = tables.Sheet
    kept = select(of).where(of.trial == trial_).order_by(of.rater.desc(), of.position, of.received_at, of.id)
    return tuple(
        SheetRow(
            id=sheet.id,
            position=sheet.position,
            letter=sheet.letter,
            rater=sheet.rater,
            revision=sheet.revision,
            rated_at=sheet.rated_at,
            received_at=sheet.received_at,
            sender=sheet.sender,
            flags=tuple(sheet.flags.split()),
            counts=sheet.counts,
            ratings=sheet.ratings,
            note=sheet.note,
        )
        for sheet in session.scalars(kept)
    )


def _outcomes(session: Session, trial_: int) -> tuple[OutcomeRow, ...]:
    of = tables.Outcome
    told = session.execute(
        select(of, tables.Tier.name)
        .outerjoin(tables.Copy, tables.Copy.serial == of.copy)
        .outerjoin(tables.Tier, tables.Tier.slug == tables.Copy.tier)
        .where(of.trial == trial_, tables.newest_outcome())
        .order_by(of.on, of.id)
    )
    return tuple(OutcomeRow(row.on, row.outcome, row.copy, name, row.reason, row.revision) for row, name in told)


def _materials(session: Session, trial_: tables.Trial, composition: tables.Composition) -> Materials:
    copies = lifecycle.to_confirm(session, composition) if trial_.place is Place.POST else ()
    at, by = composition.materials_confirmed_at, composition.materials_confirmed_by
    waits = bool(copies) and at is None and composition.state == "planned"
    return Materials(needed=bool(copies), waits=waits, copies=copies, confirmed_at=at, confirmed_by=by)


def _who(session: Session, user: int | None) -> str | None:
    found = session.get(tables.User, user) if user is not None else None
    return (found.name or found.email) if found else None


# What staff should know, and what they may do


def _flags(
    row: TrialRow, case: Sequence[CaseRow], sheets: Sequence[SheetRow], told: Sequence[OutcomeRow]
) -> tuple[str, ...]:
    kept = {each.copy for each in told if each.outcome is OutcomeKind.KEPT}
    gone = {
        "sold": _("{copy} was sold while it is on this trial; its ratings still count."),
        "withdrawn": _("{copy} was withdrawn while it is on this trial; its ratings still count."),
        "in_repair": _("{copy} went into repair while it is on this trial."),
    }
    sentences = [
        gone[bow.status].format(copy=bow.copy)
        for bow in case
        if bow.status in gone and bow.copy not in kept and (row.state in ("planned", "open") or _is_out(bow))
    ]
    return (*sentences, *_odd_sheets([still_odd(sheet.flags, sheet.counts) for sheet in sheets]))


def sheet_flags(session: Session, trial_: int) -> tuple[str, ...]:
    """Return a sentence for each thing that staff should look at in a trial's sheets."""
    found = session.execute(select(tables.Sheet.flags, tables.Sheet.counts).where(tables.Sheet.trial == trial_))
    return _odd_sheets([still_odd(tuple(flags.split()), counts) for flags, counts in found])


def still_odd(flags: Sequence[str], counts: bool) -> tuple[str, ...]:
    """Return a sheet's flags without what staff settled when they chose it from two."""
    return tuple(flag for flag in flags if not (counts and flag == "other_device"))


def _odd_sheets(flags: Sequence[Sequence[str]]) -> tuple[str, ...]:
    there = {flag for each in flags for flag in each}
    told = (
        ({"conflict", "other_device"}, _("More than one sheet came for one bow; look which of them counts.")),
        ({"unknown_letter"}, _("A sheet names a letter that is not in this trial; it is kept, but does not count.")),
        ({"after_reveal"}, _("A sheet was changed after the key was revealed; the blind one counts.")),
        ({"late"}, _("A sheet came after the trial was closed; it is kept.")),
        ({"cancelled"}, _("A sheet came after the trial was given up; it is kept, but does not count.")),
    )
    return tuple(sentence for names, sentence in told if names & there)


def _is_out(bow: CaseRow) -> bool:
    return bow.out_at is not None and bow.back_at is None


def _may(row: TrialRow, case: Sequence[CaseRow], needed: Materials) -> frozenset[str]:
    by_post = row.place is Place.POST
    out, state = any(map(_is_out, case)), row.state
    verbs = {
        "open": state == "planned" and not by_post,
        "confirm": state == "planned" and needed.waits,
        "send": state == "planned" and by_post and not needed.waits,
        "swap": state == "planned",
        "cancel": state in ("planned", "open"),
        "close": state == "open",
        "take_back": out,
        "reveal": state != "planned" and not row.revealed,
        "outcome": state in ("open", "closed"),
        "follow_up": state in ("open", "closed"),
    }
    return frozenset(verb for verb, allowed in verbs.items() if allowed)


def _may_reopen(composition: tables.Composition) -> frozenset[str]:
    """Say whether a trial may be opened again: it is closed, and its key was not revealed since."""
    closed, revealed = composition.closed_at, composition.revealed_at
    stays = composition.state != "closed" or (revealed is not None and (closed is None or revealed >= closed))
    return frozenset() if stays else frozenset({"reopen"})


def parcel_waits(session: Session, row: TrialRow) -> bool:
    """Say whether a planned trial's parcel waits for its materials to be confirmed."""
    if row.place is not Place.POST or row.state != "planned":
        return False
    composition = session.scalars(
        select(tables.Composition)
        .join(tables.Trial, tables.Trial.id == tables.Composition.trial)
        .where(tables.Trial.key == row.key)
    ).one()
    return bool(lifecycle.unconfirmed(session, composition))
