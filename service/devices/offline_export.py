"""What waited on a tablet, as a file: made and signed by the tablet, loaded by an adviser of the same dealer.

A file is JSON: ``format``, ``tablet`` (its id), ``saved_at``, ``content`` (the waiting sheets and pairs as JSON text) and ``hmac``, the
HMAC-SHA-256 (RFC 2104) of these four, a line each, with the tablet's own key for files, in hexadecimal.
"""

import hashlib
import hmac
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError
from sqlalchemy.orm import Session

from service import tables
from service.core import audit, audit_events
from service.core.errors import ConflictError, InvalidInputError, NotFoundError
from service.core.language import _
from service.questionnaire.sheet_fields import RunId, check_pair, check_sheet
from service.trials import paired_comparison, sheets

FORMAT = "waiting sheets, 1"


@dataclass(frozen=True, slots=True)
class Loaded:
    """What came of a file.

    ``tablet``: its name.
    ``sheets``, ``pairs``: how many the file held and are stored now, those that were there before among them.
    ``flagged``: how many of the sheets have a flag.
    ``left_out``: a sentence for each item that is of no trial here, or contradicts what is stored.
    ``withdrawn``: the tablet's key was withdrawn; the file is taken all the same, since an adviser loaded it.
    """

    tablet: str
    sheets: int
    pairs: int
    flagged: int
    left_out: tuple[str, ...]
    withdrawn: bool


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class _File(_Strict):
    format: Literal["waiting sheets, 1"]
    tablet: Annotated[str, Field(max_length=100)]
    saved_at: Annotated[str, Field(max_length=40)]
    content: str
    hmac: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]

    def signed(self) -> bytes:
        return f"{self.format}\n{self.tablet}\n{self.saved_at}\n{self.content}".encode()


class _Item(_Strict):
    kind: Literal["sheet", "pair"]
    trial: Annotated[str, Field(max_length=200)]
    id: RunId
    body: dict[str, Any]


_ITEMS = TypeAdapter(list[_Item])


def load(session: Session, user: int | None, dealer: str, content: bytes) -> Loaded:
    """Store what a tablet saved to a file; the same file again changes nothing.

    Raises `ConflictError`: it is no such file, of no tablet of this dealer, or not as the tablet wrote it; nothing of
    it is stored.
    """
    file = _read(content)
    tablet = session.get(tables.Tablet, file.tablet)
    if tablet is None or tablet.dealer != dealer:
        raise ConflictError(
            _("This file is of a tablet that was never enrolled here; load it where the tablet belongs.")
        )
    expected = hmac.new(tablet.file_key.encode(), file.signed(), hashlib.sha256).hexdigest()
    if not hmac.compare_digest(expected, file.hmac):
        raise ConflictError(
            _("This file is not as the tablet wrote it: something in it was changed. Nothing was stored.")
        )
    loaded = _store(session, dealer, tablet, _items(file))
    audit.record(
        session, user, audit_events.TABLET_FILE_LOADED, f"tablet {tablet.id}", dealer=dealer, sheets=loaded.sheets
    )
    return loaded


def _read(content: bytes) -> _File:
    try:
        return _File.model_validate_json(content)
    except ValidationError:
        raise ConflictError(
            _("This is not a file of waiting sheets; expected one that a tablet saved, unchanged (.json).")
        ) from None


def _items(file: _File) -> list[_Item]:
    try:
        return _ITEMS.validate_json(file.content)
    except ValidationError:
        raise ConflictError(_("The sheets in this file cannot be read; nothing was stored.")) from None


def _store(session: Session, dealer: str, tablet: tables.Tablet, items: list[_Item]) -> Loaded:
    stored: list[sheets.Stored] = []
    pairs, left_out = 0, []
    for number, item in enumerate(items, start=1):
        try:
            if item.kind == "pair":
                paired_comparison.record_pair(session, dealer, item.trial, item.id, check_pair(item.body))
                pairs += 1
            else:
                sheet = check_sheet(item.body)
                stored.append(sheets.record(session, dealer, item.trial, item.id, sheet, f"file of tablet {tablet.id}"))
        except NotFoundError:
            left_out.append(_("Item {number} is of a trial that is not here.").format(number=number))
        except ConflictError as refused:
            left_out.append(_("Item {number}: {reason}").format(number=number, reason=refused))
        except InvalidInputError as invalid:
            reason = invalid.problems[0].message
            left_out.append(_("Item {number}: {reason}").format(number=number, reason=reason))
    flagged = sum(bool(one.flags) for one in stored)
    return Loaded(tablet.name, len(stored), pairs, flagged, tuple(left_out), tablet.revoked_at is not None)
