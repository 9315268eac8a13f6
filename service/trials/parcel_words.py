"""The parcel on a trial's page: its journey in one line, and what its fields hold."""

import datetime as dt
from typing import Any

from service import tables
from service.core import formats
from service.core.language import _
from service.dealers import shop_card
from service.trials import desk_lines
from service.trials import sittings as every_sitting
from service.trials.desk_records import SlotRow
from service.trials.whole_trial import TrialRecord


def shown(record: TrialRecord) -> dict[str, Any]:
    """Return what the page shows of a parcel, by name; ``journey`` empty of a trial in the shop."""
    if not desk_lines.is_by_post(record.row) or record.composition is None:
        return {"journey": ()}
    parcel = record.parcel or tables.Parcel()
    out = any(bow.is_out for bow in record.case)
    return {
        "journey": journey(record, parcel),
        "sittings": sittings(record),
        "parcel": parcel,
        "followed": shop_card.is_link(parcel.number or ""),
        "lent": out,
        "underway": record.row.state == "open" and not any(sheet.rater == "player" for sheet in record.sheets),
    }


def sittings(record: TrialRecord) -> tuple[str, ...]:
    """Return a line for each sitting at home, where there were several: its day, and how much was rated in it."""
    if not record.later:
        return ()
    rated = every_sitting.rated(record.sheets)
    found: dict[int, list[SlotRow]] = {}
    for slot in (*record.slots, *record.later):
        found.setdefault(slot.sitting, []).append(slot)
    line = _("Sitting {number}, {day}: {rated} of {all} rated")
    told = []
    for number, slots in found.items():
        day, done = formats.day(slots[0].on or record.row.on), sum(slot.position in rated for slot in slots)
        told.append(line.format(number=number, day=day, rated=done, all=len(slots)))
    return tuple(told)


def fields(record: TrialRecord) -> dict[str, list[str]]:
    """Return what stands in the fields of the form."""
    parcel = record.parcel
    return {name: [getattr(parcel, name) or ""] for name in ("address", "carrier", "number")} if parcel else {}


def journey(record: TrialRecord, parcel: tables.Parcel) -> tuple[tuple[str, str, bool], ...]:
    """Return the way of a parcel: each station, its day, and whether it is behind."""
    sent = [row.out_at for row in record.case if row.out_at is not None]
    back = [row.back_at for row in record.case if row.back_at is not None]
    is_back = bool(sent) and len(back) == len(sent)
    # Who has rated a bow has the parcel.
    first = [sheet.rated_at or sheet.received_at for sheet in record.sheets if sheet.rater == "player"]
    arrived = [parcel.arrived_at] if parcel.arrived_at else first
    some = _("{back} of {all}").format(back=len(back), all=len(sent)) if back else _day(None)
    due = record.row.due_back
    return (
        (_("Sent"), _day(min(sent, default=None)), bool(sent)),
        (_("Arrived"), _day(min(arrived, default=None)), bool(arrived)),
        (_("Due back"), formats.day(due) if due else _("as agreed"), is_back),
        (_("Back"), _day(max(back)) if is_back else some, is_back),
    )


def _day(moment: dt.datetime | None) -> str:
    return formats.day(moment.date()) if moment else "–"
