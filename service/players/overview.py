"""All that one player made of bows at one dealer, on every instrument: for the player's own page, and for the desk's."""

import datetime as dt
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Row, select
from sqlalchemy.orm import Session

from model.domain.vocabulary import Criterion, Instrument
from service.core.errors import NotFoundError
from service.players import known, player_keys, same_person
from service.players.known import RatedBow, Told
from service.players.tried_bows import is_for
from service.questionnaire import tried_fields
from service.questionnaire.forms import Questionnaire
from service.tables import Copy, Player, Tier, Trial


@dataclass(frozen=True, slots=True)
class Bow:
    """One bow that a player rated; ``copy`` None: the own one of that instrument. ``ratings``: the mean by criterion."""

    copy: str | None
    tier_name: str
    instrument: Instrument
    played: RatedBow
    ratings: Told


@dataclass(frozen=True, slots=True)
class Overview:
    """What a player made of bows."""

    bows: tuple[Bow, ...] = ()  # best liked first, each instrument's own bow after them
    withheld: bool = False  # there are ratings, but they serve their own trial only
    blind: bool = False  # some are of a trial whose letters still hide its bows


NOTHING = Overview()


def of_player(session: Session, dealer: str, player: int, *, revealed: bool = False) -> Overview:
    """Return what is known of a player's ratings; ``revealed``: as far as the player may be told which bow a letter was."""
    whole = same_person.everybody(session, dealer, [player])
    rows = known.sheets(session, dealer, whole)
    told = [
        (created_at.date(), answers)
        for created_at, answers in known.told_answers(session, dealer, whole)
        if answers.get("tried")
    ]
    if not rows and not told:
        return NOTHING
    if not same_person.may_help(session, whole):
        return Overview(withheld=True)
    seen = [row for row in rows if not known.is_hidden(row, revealed)]
    bows = [*_played(session, seen), *_told(session, told, {row.Run.copy for row in seen})]
    return Overview(tuple(sorted(bows, key=_order)), blind=len(seen) < len(rows))


def stand(session: Session, dealer: str, players: Sequence[int]) -> tuple[tuple[int, str], ...]:
    """Return who stands for some players, each once, with the key."""
    heads = dict.fromkeys(same_person.head_of(session, dealer, each) for each in players)
    return tuple((each, session.get_one(Player, each).key) for each in heads)


def had_in_hand(session: Session, dealer: str, key: str, *, revealed: bool = False) -> frozenset[str]:
    """Return the serials that a player of a dealer rated, wherever those bows are now; of nobody who is known here none."""
    try:
        player = player_keys.known(session, dealer, key).id
    except NotFoundError:
        return frozenset()
    return frozenset(bow.copy for bow in of_player(session, dealer, player, revealed=revealed).bows if bow.copy)


def last_answers(session: Session, dealer: str, player: int) -> dict[str, Any]:
    """Return the answers that a player gave last, a questionnaire's body with the marks of bows that the player may see; empty where none is known."""
    body = dict(_last(session, dealer, same_person.everybody(session, dealer, [player])))
    if not body:
        return {}
    bows = of_player(session, dealer, player, revealed=True).bows
    rows = select(Copy.serial, Copy.hold, Tier.instrument).join(Tier, Tier.slug == Copy.tier)
    found = session.execute(rows.where(Copy.serial.in_([bow.copy for bow in bows if bow.copy and bow.ratings])))
    suited = frozenset(serial for serial, hold, instrument in found if is_for(instrument, hold, body))
    rated = [bow for bow in bows if bow.copy in suited]
    body["tried"] = [{"copy": bow.copy, "ratings": _rounded(bow.ratings)} for bow in rated][: tried_fields.MOST]
    return body | _own_bow(session, dealer, player, body)


def newest_answers(session: Session, dealer: str, key: str) -> Questionnaire | None:
    """Return what a player answered last, or a trial tells of them; None where nothing is known. Raises `NotFoundError`."""
    return known.read(
        _last(session, dealer, same_person.everybody(session, dealer, [player_keys.known(session, dealer, key).id]))
    )


def tiers_met(session: Session, bows: Sequence[Bow]) -> tuple[tuple[str, str], ...]:
    """Return slug and name of the tiers of some bows, in their order."""
    found = select(Copy.serial, Tier.slug, Tier.name).join(Tier, Tier.slug == Copy.tier)
    rows = session.execute(found.where(Copy.serial.in_([bow.copy for bow in bows])))
    of = {serial: (slug, name) for serial, slug, name in rows}
    return tuple(dict.fromkeys(of[bow.copy] for bow in bows if bow.copy in of))


LASTING = ("settings", "priorities", "wishes", "strings", "string_length_mm")
"""Answers that hold from one visit to the next; budget and time are asked each time, and marks are known otherwise."""


def lasting_answers(session: Session, dealer: str, key: str) -> dict[str, Any]:
    """Return what holds of a player's last answers for a next visit: instrument, hold and the like; raises `NotFoundError`."""
    whole = same_person.everybody(session, dealer, [player_keys.known(session, dealer, key).id])
    answers = _last(session, dealer, whole)
    own = answers.get("own_bow", {})
    kept = {name: answers[name] for name in ("instrument", "hold", *LASTING) if answers.get(name)}
    bow = {name: value for name, value in (own or {}).items() if name != "ratings"}
    return kept | ({"own_bow": None} if own is None else {"own_bow": bow} if bow else {})


def _own_bow(session: Session, dealer: str, player: int, body: Mapping[str, Any]) -> dict[str, Any]:
    """Return the own bow with what is known of it in place of what the answers said, and without marks where it is another one."""
    if body.get("own_bow", {}) is None:
        return {}
    own = {name: value for name, value in (body.get("own_bow") or {}).items() if name != "ratings"}
    asked = Questionnaire.model_validate({**body, "tried": (), "own_bow": own})
    key = session.get_one(Player, player).key
    marks = known.of_own(session, dealer, asked, key).own
    return {"own_bow": own | ({"ratings": _rounded(marks)} if marks else {})} if own or marks else {}


def _last(session: Session, dealer: str, whole: Sequence[int]) -> Mapping[str, Any]:
    """Return the newest answers that today's rules take, else what a trial tells; empty where nothing is known."""
    given = (answers for _at, answers in known.told_answers(session, dealer, whole) if known.read(answers) is not None)
    return next(given, None) or _of_trial(session, dealer, whole)


def _rounded(ratings: Told) -> dict[str, int]:
    return {str(criterion): round(mark) for criterion, mark in ratings.items()}


def _of_trial(session: Session, dealer: str, whole: Sequence[int]) -> dict[str, Any]:
    """Return what a trial of a file tells of who played it: instrument and hold."""
    statement = select(Trial.instrument, Trial.hold).where(Trial.player.in_(whole), Trial.dealer == dealer)
    row = session.execute(statement.order_by(Trial.on.desc(), Trial.id.desc()).limit(1)).first()
    return {} if row is None else {"instrument": str(row.instrument), **({"hold": str(row.hold)} if row.hold else {})}


def _order(bow: Bow) -> tuple[str, bool, float, str]:
    return str(bow.instrument), bow.copy is None, -(bow.played.mark or 0.0), bow.copy or ""


def _played(session: Session, rows: Sequence[Row[Any]]) -> list[Bow]:
    ratings: dict[tuple[str | None, Instrument], list[Row[Any]]] = defaultdict(list)
    for row in rows:
        ratings[row.Run.copy, row.instrument].append(row)
    names = _names(session, {copy for copy, _instrument in ratings if copy})
    return [
        Bow(copy, names.get(copy or "", ""), instrument, known.played(group), known.means(group))
        for (copy, instrument), group in ratings.items()
    ]


def _told(session: Session, told: Sequence[tuple[dt.date, Mapping[str, Any]]], but: set[str | None]) -> list[Bow]:
    """Return the bows that were only told of, by the newest word on each."""
    newest: dict[str, tuple[Instrument, dict[Criterion, float]]] = {}
    for _on, answers in told:
        for each in answers["tried"]:
            ratings = {Criterion(name): float(mark) for name, mark in each["ratings"].items()}
            if each["copy"] not in but:
                newest.setdefault(each["copy"], (Instrument(answers["instrument"]), ratings))
    names = _names(session, newest)
    return [
        Bow(copy, names[copy], instrument, RatedBow(None, 0, ratings.get(Criterion.OVERALL)), ratings)
        for copy, (instrument, ratings) in newest.items()
        if copy in names
    ]


def _names(session: Session, copies: Any) -> dict[str, str]:
    rows = session.execute(
        select(Copy.serial, Tier.name).join(Tier, Tier.slug == Copy.tier).where(Copy.serial.in_(list(copies)))
    )
    return dict(rows.all())
