"""The answers in words: line by line to be checked, and as one quiet line above the shortlist."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from model.domain.vocabulary import SCALES, BowKind, Criterion, Hold, Instrument, Place, Setting
from service.core import formats, phrases
from service.core.language import _, ngettext
from service.questionnaire import choices

Body = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Line:
    """One question's short name, the answer in words, and the step to change it in."""

    question: str
    answer: str
    step: str


def lines(body: Body) -> tuple[Line, ...]:
    """Return every answer in words, 'not answered' where there is none.

    Parameters
    ----------
    body : the answers as the API's body.
    """
    budget, trial, wishes = body.get("budget") or {}, body.get("trial") or {}, body.get("wishes") or {}
    spoken = [
        (_("Instrument"), _instrument(body), "instrument"),
        (_("You play"), _listed(_settings(body)), "work"),
        (_("Own bow"), _own_bow(body), "own-bow"),
        (_("Matters most"), _priorities(body), "wishes"),
        (_("Wishes"), _wishes(wishes), "wishes"),
        (_("Budget"), _budget(budget), "budget"),
        (_("Trial"), _trial(trial), "budget"),
    ]
    if played := tried(body):
        spoken.insert(3, (_("Played here"), played, "tried"))
    return tuple(Line(question, answer or _("not answered"), step) for question, answer, step in spoken)


def tried(body: Body) -> str:
    """Return the bows that were named as played, each with its mark; empty where none is."""
    return _listed(_tried_bow(bow) for bow in body.get("tried", ()))


def _tried_bow(bow: Body) -> str:
    mark = bow["ratings"].get(Criterion.OVERALL)
    if mark is None:
        return str(bow["copy"])
    return _("{copy}: {rating} of 7").format(copy=bow["copy"], rating=mark)


def quiet_line(body: Body) -> str:
    """Return the answers that a shortlist rests on, in one line."""
    budget = body.get("budget") or {}
    amount = [_("up to {amount}").format(amount=_money(budget))] if budget else []
    count = len(body.get("tried", ()))
    played = [ngettext("one bow played here", "{count} bows played here", count)] if count else []
    told = [words.format(count=formats.counted(count)) for words in played]
    return f"{formats.NBSP}· ".join([*_instrument_parts(body), *_settings(body), *told, *amount])


def _settings(body: Body) -> list[str]:
    return [_(phrases.SETTINGS[Setting(name)]) for name in body.get("settings", ())]


def _lowered(text: str) -> str:
    return text[:1].lower() + text[1:]


def _listed(parts: Iterable[str]) -> str:
    return ", ".join(parts)


def _instrument_parts(body: Body) -> list[str]:
    parts = [_(choices.INSTRUMENTS[Instrument(body["instrument"])])] if "instrument" in body else []
    if body.get("hold"):
        parts.append(_(phrases.HOLDS[Hold(body["hold"])]))
    return parts


def _instrument(body: Body) -> str:
    parts = _instrument_parts(body)
    if body.get("strings"):
        parts.append(ngettext("{count} string", "{count} strings", body["strings"]).format(count=body["strings"]))
    if body.get("string_length_mm"):
        parts.append(formats.millimetres(body["string_length_mm"]))
    return _listed(parts)


def _own_bow(body: Body) -> str:
    if "own_bow" not in body:
        return ""
    if body["own_bow"] is None:
        return _("none")
    return _listed(_of_own_bow(body["own_bow"]))


def _of_own_bow(own: Body) -> Iterator[str]:
    kind = BowKind(own.get("kind") or BowKind.UNKNOWN)
    yield _(choices.KINDS[kind]) if kind in choices.KINDS else _("material not known")
    if own.get("mass_g"):
        yield formats.grams(own["mass_g"])
    for name, rating in (own.get("ratings") or {}).items():
        yield _("{criterion} {rating} of 7").format(
            criterion=formats.within(_(SCALES[Criterion(name)].name)), rating=rating
        )


def _priorities(body: Body) -> str:
    return _listed(_(SCALES[Criterion(name)].name) for name in body.get("priorities", ()))


def _wishes(wishes: Body) -> str:
    mass = {-1: _("lighter"), 0: _("weight does not matter"), 1: _("heavier"), None: ""}[wishes.get("mass")]
    tone = {-1: _("warmer"), 0: _("colour does not matter"), 1: _("brighter"), None: ""}[wishes.get("tone")]
    return _listed(filter(None, (mass, tone)))


def _money(budget: Body) -> str:
    return formats.money(budget["amount"], budget["currency"])


def _budget(budget: Body) -> str:
    if not budget:
        return ""
    stretch = budget.get("stretch_percent")
    more = [_("up to {percent} more").format(percent=formats.percent(stretch / 100))] if stretch else []
    return _listed([_money(budget), *more])


def _trial(trial: Body) -> str:
    minutes = trial.get("minutes")
    parts = [_("about {number} minutes").format(number=minutes)] if minutes else []
    if trial.get("place"):
        parts.append(_lowered(_(choices.PLACES[Place(trial["place"])][0])))
    return _listed(parts)
