"""Which bow a player means: a serial read as people write it, and only bows of the shop that is asked."""

from collections.abc import Collection, Mapping, Sequence
from typing import Any

from sqlalchemy import or_, select, true
from sqlalchemy.orm import Session

from model.domain.vocabulary import Hold, Instrument
from service.core.language import _
from service.questionnaire import tried_fields
from service.questionnaire.step_fields import Form
from service.tables import Copy, Tier
from service.tables.folding import plain


def settled(
    session: Session, dealer: str | None, answers: Mapping[str, Any], form: Form, known: Collection[str] = ()
) -> tuple[dict[str, list[str]], dict[str, str]]:
    """Return the rows of a form with each serial as the range has it, and one sentence for each that is none.

    ``dealer``: whose bows they may be, beside those at the workshop; None: anybody's. ``answers``: the instrument and the hold,
    as far as they are told. ``known``: serials that the player had in hand, wherever they are now.
    """
    fields = tried_fields.only(form)
    bows, indices, wrong = tried_fields.parse(form)
    serials, unknown = meant(session, dealer, answers, [bow["copy"] for bow in bows], known)
    fields |= {tried_fields.field(indices[place], "copy"): [serial] for place, serial in serials.items()}
    return fields, wrong | {tried_fields.field(indices[place], "copy"): sentence for place, sentence in unknown.items()}


def meant(
    session: Session, dealer: str | None, answers: Mapping[str, Any], texts: Sequence[str], known: Collection[str] = ()
) -> tuple[dict[int, str], dict[int, str]]:
    """Return by place the serials that some texts mean, and one sentence for each that means none; see `settled`."""
    candidates = _here(session, dealer, known) if texts else []
    chosen: dict[int, str] = {}
    wrong: dict[int, str] = {}
    for place, text in enumerate(texts):
        found, sentence = _meant(candidates, text, answers)
        if found is None:
            wrong[place] = sentence
        elif found in chosen.values():
            wrong[place] = _("This bow stands above already; mark it once.")
        else:
            chosen[place] = found
    return chosen, wrong


def is_for(instrument: Instrument, hold: str | None, answers: Mapping[str, Any]) -> bool:
    """Say whether a bow of an instrument and a hold is for what answers tell of both, as far as they do."""
    played = answers.get("hold")
    return instrument == answers.get("instrument") and (not hold or played in (None, "", hold, str(Hold.EITHER)))


_Bow = tuple[str, str | None, Instrument]


def _here(session: Session, dealer: str | None, known: Collection[str]) -> list[_Bow]:
    theirs = true() if dealer is None else or_(Copy.dealer == dealer, Copy.dealer.is_(None), Copy.serial.in_(known))
    rows = session.execute(
        select(Copy.serial, Copy.hold, Tier.instrument).join(Tier, Tier.slug == Copy.tier).where(theirs)
    )
    return [(serial, hold, instrument) for serial, hold, instrument in rows]


def _meant(here: list[_Bow], text: str, answers: Mapping[str, Any]) -> tuple[str | None, str]:
    """Return the serial that is meant, or None and a sentence on why it is none."""
    exact = [bow for bow in here if bow[0] == text]
    alike = exact or [bow for bow in here if plain(bow[0]) == plain(text) != ""]
    if not alike:
        return None, _("There is no bow {copy} in this shop; look at its number again.").format(copy=text)
    if len(alike) > 1:
        serials = ", ".join(sorted(bow[0] for bow in alike))
        return None, _("This may be one of several bows: {copies}. Write it as it stands on the bow.").format(
            copies=serials
        )
    serial, hold, instrument = alike[0]
    if not is_for(instrument, hold, answers):
        return None, _("The bow {copy} is for another instrument or hold; take it out.").format(copy=serial)
    return serial, ""
