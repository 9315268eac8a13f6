"""The bench at the desk: a bow's readings on one screen, what follows from them, a recording fitted, two bows beside each other."""

import datetime as dt
from collections.abc import Mapping
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response
from sqlalchemy.orm import Session

from service.bench import bench_pictures, bench_words, entry, recordings, records
from service.bench.quantities import FIELDS
from service.bench.records import BenchRecord
from service.core import phrases
from service.core.errors import InvalidInputError, NotFoundError
from service.core.language import N_, _, ngettext
from service.questionnaire.parsing import shown
from service.web import desk_frame, security
from service.web.database_sessions import Reading, Writing
from service.web.desk_forms import address, by_field, faults, first, today
from service.web.page_data import FormPage, Typed
from service.web.permissions import Fields, Needs, Posted, PostedFile, Staff
from service.web.roles import Permission

router = APIRouter(prefix="/desk/stock")

_NAMES = {"on": N_("Day"), "by": N_("Read by"), "file": N_("Recording"), "beside": N_("Beside another bow")}

Views = Annotated[Staff, Depends(Needs(Permission.STOCK_VIEW))]
Changes = Annotated[Staff, Depends(Needs(Permission.STOCK_CHANGE))]


def _page(record: BenchRecord, form: Fields, problems: Mapping[str, str], staff: Staff) -> FormPage:
    usual = {"on": [today().isoformat()], "by": [staff.name]}
    usual |= {f"with-{name}": [records.tool(each)] for name, each in record.newest.items()}
    names = {name: bench_words.label(name) for name in FIELDS} | {name: _(label) for name, label in _NAMES.items()}
    return FormPage(
        title=_("Bench record of {copy}").format(copy=record.serial),
        action=address("stock", record.serial, "bench"),
        typed=Typed({**usual, **form}, problems),
        faults=faults(problems, names, {}),
    )


def _shown(
    request: Request,
    staff: Staff,
    record: BenchRecord,
    *,
    form: Fields | None = None,
    problems: Mapping[str, str] | None = None,
    status: int = 200,
    **more: Any,
) -> Response:
    found = problems or {}
    page = _page(record, form or {}, found, staff)
    texts = {name: page.typed.value(name) for name in FIELDS}
    reply = desk_frame.show(
        request,
        staff,
        "bench/bench.html",
        page,
        status=status,
        words=bench_words,
        record=record,
        back=address("stock", record.serial),
        caution=_(phrases.BENCH_CAUTION),
        asked=entry.questions(texts, found, records.before(record)),
        **{"picture": None, "difference": "", "beside": "", "other": None, **_bows(record, None), **more},
    )
    reply.headers.update(security.WITH_MICROPHONE)
    return reply


def _bows(record: BenchRecord, other: BenchRecord | None) -> dict[str, Any]:
    """Return the picture of a bow's four parts, beside another's where that is known too."""
    if record.bow is None:
        return {}
    named = [(record.serial, record.bow)]
    if other is None or other.bow is None:
        return {"picture": bench_pictures.bows(named)}
    named.append((other.serial, other.bow))
    return {
        "picture": bench_pictures.bows(named),
        "difference": bench_words.against(record.bow, record.serial, other.bow, other.serial),
        "beside": other.serial,
        "other": other.bow,
    }


@router.get("/{serial}/bench")
async def bench(request: Request, serial: str, staff: Views, session: Reading, beside: str = "") -> Response:
    """Show a bow's bench record; ``beside``: the serial of another bow to set beside it."""
    record = records.of_copy(session, staff.bows, serial)
    if not beside.strip():
        return _shown(request, staff, record)
    try:
        other = records.of_copy(session, staff.bows, beside.strip())
    except NotFoundError:
        said = _("There is no bow {serial} here.").format(serial=shown(beside.strip()))
        return _shown(request, staff, record, form={"beside": [beside]}, problems={"beside": said}, status=422)
    if other.bow is None or record.bow is None:
        which = other.serial if other.bow is None else serial
        said = _("{serial} has not been weighed part by part yet.").format(serial=which)
        return _shown(request, staff, record, form={"beside": [beside]}, problems={"beside": said}, status=422)
    return _shown(request, staff, record, form={"beside": [beside]}, **_bows(record, other))


@router.post("/{serial}/bench")
async def keep(request: Request, serial: str, form: Posted, staff: Changes, session: Writing) -> Response:
    """Keep readings; what cannot be is refused, what is odd asked about, with all that was typed."""
    record = records.of_copy(session, staff.bows, serial)
    try:
        with session.begin_nested():
            kept = _keep(session, staff, record, form)
    except InvalidInputError as invalid:
        return _shown(request, staff, record, form=form, problems=by_field(invalid), status=422)
    said = ngettext("{count} reading is kept.", "{count} readings are kept.", kept).format(count=kept)
    return desk_frame.see(request, address("stock", serial, "bench"), said)


def _keep(session: Session, staff: Staff, record: BenchRecord, form: Fields) -> int:
    texts = {name: first(form, name) for name in FIELDS}
    problems: dict[str, str] = {}
    on = today()
    try:
        on = dt.date.fromisoformat(first(form, "on")) if first(form, "on") else on
    except ValueError:
        problems["on"] = _("Got {text}; expected a day, as 2026-11-30.").format(text=shown(first(form, "on")))
    try:
        found = entry.read(texts, form.get("sure", ()), records.before(record))
    except InvalidInputError as invalid:
        problems |= by_field(invalid)
    if problems:
        raise InvalidInputError(list(problems.items()))
    tools = {name: first(form, f"with-{name}") for name in (*FIELDS, "log_decrement")}
    return records.keep(session, staff.user, staff.bows, record.serial, found, on=on, by=first(form, "by"), tools=tools)


@router.post("/{serial}/bench/remove")
async def take_back(request: Request, serial: str, form: Posted, staff: Changes, session: Writing) -> Response:
    """Take back one reading."""
    record = records.of_copy(session, staff.bows, serial)
    number = first(form, "reading")
    one = next((each for each in record.readings if str(each.id) == number), None)
    if one is None:
        gone = {"all-title": _("This reading is not there any more.")}
        return _shown(request, staff, record, problems=gone, status=422)
    quantity = records.remove(session, staff.user, staff.bows, serial, one.id)
    said = _("The reading is taken back: {quantity}.").format(quantity=bench_words.label(quantity))
    return desk_frame.see(request, address("stock", serial, "bench"), said)


@router.post("/{serial}/bench/recording")
async def fit_recording(request: Request, serial: str, sent: PostedFile, staff: Changes, session: Reading) -> Response:
    """Fit a recording and show it; its values are kept when whoever looked at them says so. The recording itself is not kept."""
    record = records.of_copy(session, staff.bows, serial)
    mode = first(sent[0], "mode")
    try:
        fit = recordings.fit(sent[1], mode)
    except InvalidInputError as invalid:
        return _shown(request, staff, record, form=sent[0], problems=by_field(invalid), status=422)
    typed = {mode: f"{fit.frequency_hz:.3f}", "decay_hz": f"{fit.frequency_hz:.3f}"}
    typed |= {"decay_60db_s": f"{fit.decay_60db_s:.4f}"}
    values = {name: [text] for name, text in typed.items()}
    values |= {f"with-{name}": [_("recording")] for name in typed}
    return desk_frame.show(
        request,
        staff,
        "bench/recording.html",
        _page(record, values, {}, staff),
        words=bench_words,
        record=record,
        back=address("stock", serial, "bench"),
        facts=bench_words.fitted(fit),
        picture=bench_pictures.decay(fit),
        kept=tuple(typed),
    )
