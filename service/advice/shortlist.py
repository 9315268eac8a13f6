"""The result page's context: a stored advice, in words, ready to be shown."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from service.advice import interval_pictures, side_by_side, words
from service.core import formats
from service.core.language import _
from service.dealers.shop_card import ShopCard
from service.questionnaire import answer_summary
from service.web.page_data import Look, Page


@dataclass(frozen=True, slots=True)
class TierCard:
    """One tier of the list. ``quiet``: no trial of it is advised. ``tried``: what the player made of its bows before."""

    role: str
    name: str
    price: str
    sentence: str
    bring: str
    quiet: bool
    tried: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class NumbersRow:
    """One tier's numbers, the same as in the picture; ``beats`` is in words, with the figure once trials speak."""

    name: str
    expected: str
    interval: str
    beats: str


@dataclass(frozen=True, slots=True)
class BowStep:
    """One step of 'how many bows': ``here`` marks the advised one; ``fewer`` says where the best case holds fewer bows than that."""

    count: int
    chance: str
    here: bool
    fewer: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShortlistPage(Page):
    """The result page.

    Attributes
    ----------
    answers : the quiet line above the heading, which is the verdict.
    lead, ground : what the verdict rests on; what was asked for, and whose trials count.
    model_is : what a model is, said where the word first stands.
    tried : what the player made of bows of other tiers.
    beside : the tiers beside each other; None where too little is known of them.
    beats : heading of the last column of the table of numbers.
    play_heading : over what to play; empty where there is nothing to play.
    steps_lead : what the steps say; ``in_words`` while they hold no figures.
    again : where 'change your answers' is posted, with its token ``csrf``.
    why : where it says what each answer did; empty for an advice of before that was kept.
    address : the page's own, under which it is found again.
    shop : where the bows can be tried; None where nothing is known of it.
    data, privacy : where the player's own data is, and where it stands what is kept and why; empty at the desk.
    """

    answers: str
    lead: str
    ground: str
    model_is: str
    tiers: tuple[TierCard, ...]
    tried: tuple[str, ...]
    beside: side_by_side.SideBySide | None
    picture: interval_pictures.LikingPicture | None
    caption: str
    beats: str
    numbers: tuple[NumbersRow, ...]
    steps_lead: str
    steps: tuple[BowStep, ...]
    in_words: bool
    recommendation: str
    play_heading: str
    plays: tuple[str, ...]
    trying: tuple[str, ...]
    sureness: str
    notes: tuple[str, ...]
    cautions: tuple[str, ...]
    again: str
    address: str
    csrf: str
    why: str = ""
    data: str = ""
    privacy: str = ""
    shop: ShopCard | None = None


def page_of(
    doc: dict[str, Any],
    address: str,
    csrf: str,
    dealer: str | None,
    demo: bool,
    look: Look | None = None,
    why: str = "",
    data: str = "",
    privacy: str = "",
    shop: ShopCard | None = None,
) -> ShortlistPage:
    """Return the result page of a stored advice, found at ``address``."""
    answers = doc["answers"]
    return ShortlistPage(
        title=words.headline(doc),
        dealer=dealer,
        demo=demo,
        look=look,
        answers=answer_summary.quiet_line(answers),
        lead=words.behind(doc) or words.lead(doc),
        ground=words.ground(doc) if words.behind(doc) else "",
        model_is=words.model_is(),
        tiers=tuple(_cards(doc)),
        tried=tuple(words.tried_besides(doc)),
        beside=side_by_side.beside(doc),
        picture=interval_pictures.liking(doc),
        caption=_caption(doc),
        beats=_("One of its bows called good") if _has_no_bow(doc) else _("One of its bows liked better than yours"),
        numbers=tuple(_numbers(entry, doc) for entry in doc["shortlist"]),
        steps_lead=_steps_lead(doc),
        steps=tuple(_steps(doc)),
        in_words=words.rests_on_prior(doc),
        recommendation=words.recommendation(doc) if _steps(doc) else "",
        play_heading=_play_heading(doc),
        plays=words.what_to_play(answers["instrument"], answers.get("settings", ()), own_bow=not _has_no_bow(doc)),
        trying=words.how_to_try(answers.get("trial", {}).get("place", "shop"), own_bow=not _has_no_bow(doc)),
        sureness=words.sureness(doc),
        notes=tuple(words.notes_of_page(doc)),
        cautions=tuple(words.cautions(doc)),
        again=f"{address}/again",
        address=address,
        csrf=csrf,
        why=why,
        data=data,
        privacy=privacy,
        shop=shop,
    )


def _has_no_bow(doc: dict[str, Any]) -> bool:
    return bool(doc["own_bow"]["state"] == "none")


def _cards(doc: dict[str, Any]) -> Iterator[TierCard]:
    for entry, why in zip(doc["shortlist"], words.whys(doc, beside_table=side_by_side.is_known(doc)), strict=True):
        yield _card(entry, why, doc)


def _card(entry: dict[str, Any], why: Sequence[str], doc: dict[str, Any]) -> TierCard:
    sentences = (*why, words.above_budget(entry, doc))
    return TierCard(
        role=words.role_words(entry, doc),
        name=entry["name"],
        price=formats.money(entry["price"], entry["currency"]),
        sentence=" ".join(filter(None, sentences)),
        bring=words.bring_words(entry, doc),
        quiet=not entry["copies"] or not words.advises(doc),
        tried=tuple(words.tried_here(entry, doc)),
    )


def _play_heading(doc: dict[str, Any]) -> str:
    """Return the heading over what to play; empty where nothing is at hand to play."""
    if words.advises(doc):
        return _("What to play during the trial")
    trial = doc["trial"]
    return _("What to play, if you compare all the same") if trial and trial["copies"] else ""


def _numbers(entry: dict[str, Any], doc: dict[str, Any]) -> NumbersRow:
    fit = entry["fit"]
    return NumbersRow(
        name=entry["name"],
        expected=formats.number(fit["expected"]),
        interval=formats.interval(fit["low"], fit["high"]),
        beats=words.chance_words(entry["beats_own_bow"], doc),
    )


def _level(doc: dict[str, Any]) -> str:
    """Say the share of copies within the interval, in tenths, as it is read aloud."""
    level = doc["shortlist"][0]["fit"]["level"] if doc["shortlist"] else 0.9
    return _("{count} in ten").format(count=formats.counted(round(10 * level)))


def _caption(doc: dict[str, Any]) -> str:
    count = _level(doc)
    if words.rests_on_prior(doc):
        return _("The dot is a first guess, the bar where we expect {count} ratings to fall.").format(count=count)
    return _(
        "The dot is what we expect, the bar where your marks for {count} bows would fall: single bows differ, and so do days."
    ).format(count=count)


def _steps_lead(doc: dict[str, Any]) -> str:
    if _has_no_bow(doc):
        said = _("How likely is it that you would call at least one of them good? The more you try, the likelier:")
    else:
        said = _(
            "How likely is it that you like at least one of them better than your own bow, if only a little? The more you try, "
            "the likelier:"
        )
    return " ".join(part for part in (words.of_stock(doc), said) if part)


def _steps(doc: dict[str, Any]) -> list[BowStep]:
    trial = doc["trial"] or {"by_copies": (), "copies": 0}
    say = formats.chance_word if words.rests_on_prior(doc) else formats.percent
    return [
        bow_step(
            row["copies"],
            row.get("bows", row["copies"]),
            say(row["chance"]),
            words.advises(doc) and row["copies"] == trial["copies"],
        )
        for row in trial["by_copies"]
    ]


def bow_step(count: int, bows: int, chance: str, here: bool) -> BowStep:
    """Return a step of so many bows, of which the best case holds ``bows``: where that is fewer, it says so."""
    if not bows:
        return BowStep(count, _("better none"), here)
    return BowStep(count, chance, here, "" if bows == count else _("only {bows}").format(bows=bows))
