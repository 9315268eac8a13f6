"""Fitted models, enquiries with the advice given, questionnaires on their way."""

import datetime as dt
from typing import Any

from sqlalchemy import JSON, Boolean, ForeignKey, Index, LargeBinary, String, false
from sqlalchemy.orm import Mapped, mapped_column

from service.tables.base import Base
from service.tables.columns import Key, Moment, in_json, partly
from service.tables.folding import enquiry_number


class ModelVersion(Base):
    """A fitted model: what it was fitted from, by which code, how well it does, and itself. At most one is adopted."""

    __tablename__ = "model_versions"
    __table_args__ = (Index("uq_model_versions_adopted", "adopted", unique=True, **partly("adopted")),)

    id: Mapped[int] = mapped_column(primary_key=True)
    fitted_at: Mapped[dt.datetime] = mapped_column(Moment)
    adopted: Mapped[bool] = mapped_column(default=False)
    data_digest: Mapped[str] = mapped_column(String)
    code_version: Mapped[str] = mapped_column(String)
    report: Mapped[dict[str, Any]] = mapped_column(JSON)
    artifact: Mapped[bytes] = mapped_column(LargeBinary)


_UNSETTLED = partly("settled_at IS NULL")


def _number(context: Any) -> str:
    return enquiry_number(context.get_current_parameters()["id"])


class Enquiry(Base):
    """One player's answers and the advice given. ``address`` is the unguessable part of its link; ``id`` the client's.

    ``number``: under which it is printed and found (`folding.enquiry_number`); several may have one. ``player``: known once a
    trial was composed from it. ``doubted``: written while the clock was behind; its moment is wrong. ``told``: the advice
    without what stands in columns of its own, see `advice`.
    """

    __tablename__ = "enquiries"
    __table_args__ = (
        Index(None, "dealer", "created_at", "id"),
        Index("ix_enquiries_unsettled", *("dealer", "created_at", "id"), **_UNSETTLED),
    )

    id: Mapped[str] = mapped_column(String, primary_key=True)
    number: Mapped[str] = mapped_column(Key, nullable=True, index=True, default=_number)
    address: Mapped[str] = mapped_column(String, unique=True)
    created_at: Mapped[dt.datetime] = mapped_column(Moment, index=True)
    dealer: Mapped[str | None] = mapped_column(Key, ForeignKey("dealers.slug"))
    language: Mapped[str] = mapped_column(String)
    answers: Mapped[dict[str, Any]] = mapped_column(JSON)
    contact: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))
    told: Mapped[dict[str, Any]] = mapped_column("advice", JSON)
    player: Mapped[int | None] = mapped_column(ForeignKey("players.id"), index=True)
    settled_at: Mapped[dt.datetime | None] = mapped_column(Moment)  # put aside at the desk without a trial
    model_version: Mapped[int | None] = mapped_column(ForeignKey("model_versions.id"))
    doubted: Mapped[bool] = mapped_column(Boolean, default=False, server_default=false())

    @property
    def advice(self) -> dict[str, Any]:
        """The whole document of the advice: as it is kept, with the id, the moment and the answers that the columns hold."""
        return self._in_columns() | self.told

    @advice.setter
    def advice(self, document: dict[str, Any]) -> None:
        """Keep a document, without what the columns hold already."""
        self.told = beyond(document, self._in_columns())

    def _in_columns(self) -> dict[str, Any]:
        return {"id": self.id, "created": self.created_at and in_json(self.created_at), "answers": self.answers}


def beyond(document: dict[str, Any], elsewhere: dict[str, Any]) -> dict[str, Any]:
    """Return a document without the values that stand elsewhere under the same names."""
    return {name: value for name, value in document.items() if name not in elsewhere or elsewhere[name] != value}


DRAFT_LIFE = dt.timedelta(days=14)
"""A draft not touched for so long is gone."""


class Draft(Base):
    """A questionnaire being filled in; ``id`` is the unguessable part of its link. ``doubted`` as for enquiries."""

    __tablename__ = "drafts"

    id: Mapped[str] = mapped_column(String, primary_key=True)
    created_at: Mapped[dt.datetime] = mapped_column(Moment)
    updated_at: Mapped[dt.datetime] = mapped_column(Moment, index=True)
    answers: Mapped[dict[str, Any]] = mapped_column(JSON)
    step: Mapped[str] = mapped_column(String)
    doubted: Mapped[bool] = mapped_column(Boolean, default=False, server_default=false())
