"""Who may: staff and their sessions, tablets, and what was done by whom. Secrets are kept as digests only."""

import datetime as dt
from typing import Any

from sqlalchemy import JSON, CheckConstraint, ForeignKey, Index, LargeBinary, SmallInteger, String, Text
from sqlalchemy.orm import Mapped, mapped_column

from service.tables.base import Base
from service.tables.columns import Key, Moment


class User(Base):
    """One of the staff. ``role``: a key of `service.web.roles.ROLES`, and another may nothing. ``password``: its argon2id digest, None until it is set; ``dealer`` None: not bound to one shop."""

    __tablename__ = "users"
    __table_args__ = (
        CheckConstraint("role <> 'adviser' OR dealer IS NOT NULL", name="adviser_has_dealer"),
        CheckConstraint("email = lower(email)", name="email_lower"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    email: Mapped[str] = mapped_column(Key, unique=True)
    name: Mapped[str | None] = mapped_column(Text)
    role: Mapped[str] = mapped_column(String)
    dealer: Mapped[str | None] = mapped_column(Key, ForeignKey("dealers.slug"))
    language: Mapped[str | None] = mapped_column(String)
    password: Mapped[str | None] = mapped_column(String)
    created_at: Mapped[dt.datetime] = mapped_column(Moment)
    disabled_at: Mapped[dt.datetime | None] = mapped_column(Moment)


class PasswordLink(Base):
    """A one-time link to set the password; ``digest``: its secret's SHA-256. ``asked_at``: at the sign-in; None: an owner or a command made it."""

    __tablename__ = "password_links"

    digest: Mapped[str] = mapped_column(String, primary_key=True)
    user: Mapped[int] = mapped_column(ForeignKey("users.id"))
    expires_at: Mapped[dt.datetime] = mapped_column(Moment)
    used_at: Mapped[dt.datetime | None] = mapped_column(Moment)
    asked_at: Mapped[dt.datetime | None] = mapped_column(Moment)


class StaffSession(Base):
    """A sign-in that lasts; ``digest`` is the SHA-256 of the cookie. ``dealer``: the shop that an owner looks at just now.

    ``browser``, ``system``, ``network``: where it was begun, as `service.web.browser_names` names them.
    """

    __tablename__ = "staff_sessions"

    digest: Mapped[str] = mapped_column(String, primary_key=True)
    user: Mapped[int] = mapped_column(ForeignKey("users.id"), index=True)
    dealer: Mapped[str | None] = mapped_column(Key, ForeignKey("dealers.slug"))
    created_at: Mapped[dt.datetime] = mapped_column(Moment)
    seen_at: Mapped[dt.datetime] = mapped_column(Moment)
    expires_at: Mapped[dt.datetime] = mapped_column(Moment, index=True)
    browser: Mapped[str | None] = mapped_column(String)
    system: Mapped[str | None] = mapped_column(String)
    network: Mapped[str | None] = mapped_column(String)


class KnownBrowser(Base):
    """A browser in which a user has signed in; ``digest`` is the SHA-256 of its cookie, the same for all its users."""

    __tablename__ = "known_browsers"

    digest: Mapped[str] = mapped_column(String, primary_key=True)
    user: Mapped[int] = mapped_column(ForeignKey("users.id"), primary_key=True, index=True)
    browser: Mapped[str | None] = mapped_column(String)
    system: Mapped[str | None] = mapped_column(String)
    network: Mapped[str | None] = mapped_column(String)
    created_at: Mapped[dt.datetime] = mapped_column(Moment)
    seen_at: Mapped[dt.datetime] = mapped_column(Moment)


class HalfSignIn(Base):
    """A sign-in whose password was right and whose code is to come; ``digest`` is the SHA-256 of its cookie."""

    __tablename__ = "half_sign_ins"

    digest: Mapped[str] = mapped_column(String, primary_key=True)
    user: Mapped[int] = mapped_column(ForeignKey("users.id"))
    expires_at: Mapped[dt.datetime] = mapped_column(Moment)


class SecondFactor(Base):
    """What a user's app makes codes from (RFC 6238); ``last_step``: the time step of the code that was used last."""

    __tablename__ = "second_factors"

    user: Mapped[int] = mapped_column(ForeignKey("users.id"), primary_key=True)
    secret: Mapped[str] = mapped_column(String)
    since: Mapped[dt.datetime] = mapped_column(Moment)
    last_step: Mapped[int]


class RecoveryCode(Base):
    """A code that stands in once for one of the app's; ``digest`` is its SHA-256. A used one is deleted."""

    __tablename__ = "recovery_codes"

    digest: Mapped[str] = mapped_column(String, primary_key=True)
    user: Mapped[int] = mapped_column(ForeignKey("users.id"), index=True)


class SignInTries(Base):
    """How often something was tried that only its owner can know; ``of``: a digest of what and from where."""

    __tablename__ = "sign_in_tries"

    of: Mapped[str] = mapped_column(String, primary_key=True)
    count: Mapped[int]
    last_at: Mapped[dt.datetime] = mapped_column(Moment)


class KeptForm(Base):
    """A form that was sent and not taken, for its user alone, for an hour; ``digest`` is the SHA-256 of what finds it.

    ``fields``: what was typed. Else ``page``: the page that refused it, compressed, for the ``session`` that was refused.
    """

    __tablename__ = "kept_forms"

    digest: Mapped[str] = mapped_column(String, primary_key=True)
    user: Mapped[int] = mapped_column(ForeignKey("users.id"), index=True)
    at: Mapped[dt.datetime] = mapped_column(Moment, index=True)
    path: Mapped[str] = mapped_column(Text)
    session: Mapped[str | None] = mapped_column(String)
    fields: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))
    page: Mapped[bytes | None] = mapped_column(LargeBinary)
    status: Mapped[int | None] = mapped_column(SmallInteger)


class AuditEntry(Base):
    """What was done, by whom, to what; never a rating, a name or an address. ``about``: kind and key of the thing."""

    __tablename__ = "audit"
    __table_args__ = (
        Index(None, "at", "id"),
        Index(None, "dealer", "at", "id"),
        Index(None, "did", "at", "id"),
        Index(None, "user", "at", "id"),
        Index(None, "about"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    at: Mapped[dt.datetime] = mapped_column(Moment)
    user: Mapped[int | None] = mapped_column(ForeignKey("users.id"))
    dealer: Mapped[str | None] = mapped_column(Key, ForeignKey("dealers.slug"))
    did: Mapped[str] = mapped_column(String)
    about: Mapped[str] = mapped_column(Key)
    detail: Mapped[dict[str, Any]] = mapped_column(JSON, default=dict)


class Tablet(Base):
    """A tablet of one dealer. ``digest`` is the SHA-256 of its key; ``file_key`` authenticates what it saves to a file."""

    __tablename__ = "tablets"

    id: Mapped[str] = mapped_column(String, primary_key=True)
    dealer: Mapped[str] = mapped_column(Key, ForeignKey("dealers.slug"), index=True)
    name: Mapped[str] = mapped_column(Text)
    digest: Mapped[str] = mapped_column(String, unique=True)
    file_key: Mapped[str] = mapped_column(String)
    enrolled_at: Mapped[dt.datetime] = mapped_column(Moment)
    seen_at: Mapped[dt.datetime | None] = mapped_column(Moment)
    revoked_at: Mapped[dt.datetime | None] = mapped_column(Moment)


class TabletCode(Base):
    """A one-time code by which a tablet is enrolled; ``digest`` is the SHA-256 of the code."""

    __tablename__ = "tablet_codes"

    digest: Mapped[str] = mapped_column(String, primary_key=True)
    dealer: Mapped[str] = mapped_column(Key, ForeignKey("dealers.slug"))
    name: Mapped[str] = mapped_column(Text)
    made_by: Mapped[int] = mapped_column(ForeignKey("users.id"))
    expires_at: Mapped[dt.datetime] = mapped_column(Moment)
    used_at: Mapped[dt.datetime | None] = mapped_column(Moment)
