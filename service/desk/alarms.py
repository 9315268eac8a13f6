"""What the desk says at its head to those who look after the service: erasing that asks for a word, a damaged model."""

import datetime as dt

from sqlalchemy.orm import Session

from service.core.scopes import Scope
from service.modelling import fit_words, versions
from service.privacy import clock, mass_erasure, retention_words


def erasing(session: Session, scope: Scope) -> str:
    """Return what an owner is asked about erasing by age within a scope, empty where nothing."""
    stands = clock.look(session, dt.datetime.now(dt.UTC))
    return retention_words.waiting(mass_erasure.questions(session, scope), is_clock=not stands.is_believed)


def model(session: Session) -> str:
    """Return that the version in use is damaged and what stands in; empty where it is whole."""
    fitted = versions.current(session)
    return "" if fitted.instead_of is None else fit_words.damaged(fitted.instead_of, fitted.version)
