"""Why this bow and not another, and what is lacking: sentences for the adviser who composes a trial."""

from collections.abc import Mapping

from model.trial import Ranked, RankReason
from service.core import formats
from service.core.language import N_, _, ngettext
from service.players.known import Marks, RatedBow

NOTABLE = 0.05
"""Points from which on earlier players' liking is said to be above or below the tier's (a judgement)."""

_WISHED: Mapping[str, str] = {
    "mass": N_("Its weight goes the way the player wished."),
    "brightness": N_("It leans to the side of tone that the player wished for."),
}
_MEASURED: Mapping[str, str] = {
    "mass": N_("Its weight is one that players like in bows of this kind."),
    "balance": N_("Its balance is one that players like in bows of this kind."),
    "brightness": N_("By its bench readings its tone is one that players like."),
    "stiffness": N_("Its stiffness is one that players like in bows of this kind."),
}
_READ = N_("By its bench readings it is one that players like in bows of this kind.")
"""What is said of a trait that has no words of its own."""


def reason(bow: Ranked, played: RatedBow | None = None, mark: float | None = None) -> str:
    """Return what the player made of a bow, what speaks for it, or how little is known of it, in a sentence or some.

    ``played``: when the player had it in hand at this dealer's, and what it got.
    ``mark``: what the player says to have given it, where nothing of that is stored.
    """
    first = _first(bow)
    told = _("The player gave it {mark} of 7.").format(mark=formats.mark(mark)) if mark is not None else ""
    gave = _played(played) if played else told
    if gave:  # the mark itself says what the player's own ratings are worth
        first = gave if bow.why is RankReason.OWN_RATINGS else f"{gave} {first}"
    unknown = gave and not bow.rated and not bow.tried
    return " ".join(part for part in (first, "" if unknown else _history(bow)) if part)


def _first(bow: Ranked) -> str:
    """Say what speaks for a bow before anything else."""
    trait = bow.trait or "mass"
    match bow.why:
        case RankReason.OWN_RATINGS:
            return _("This player’s own ratings speak for it.")
        case RankReason.WISH:
            return _(_WISHED[trait])
        case RankReason.BENCH:
            return _(_MEASURED.get(trait, _READ))
        case RankReason.NEVER_TRIED:
            judged = _("Nobody has tried it yet, so it is judged by its model.")
            return _not_yet_learnt(bow) if bow.tried else judged
        case RankReason.LIKED | RankReason.LIKE_ITS_TIER:
            return _liked(bow)


def _played(played: RatedBow) -> str:
    """Say when the player had a bow in hand, and what it got; of one that was only told of, what was told."""
    mark = formats.mark(played.mark) if played.mark is not None else ""
    if played.on is None:
        told = _("Rated {mark} by this player, who told us so.").format(mark=mark)
        return told if mark else _("Played before, as the player told us, without a mark as a whole.")
    day = formats.day(played.on)
    if not mark:
        return _("Played on {day}, without a mark as a whole.").format(day=day)
    return _("Played on {day}, rated {mark} by this player.").format(day=day, mark=mark)


def of_marks(marks: Marks) -> tuple[str, ...]:
    """Say what of the player's earlier trials counts here, or why it does not."""
    said = []
    if marks.withheld:
        said.append(
            _(
                "The ratings of this player’s earlier trials are left out: without a yes to helping others they serve their own "
                "trial only."
            )
        )
    if marks.blind:
        said.append(
            _(
                "This player is in the middle of a blind trial; what is rated in it counts here once it is closed or revealed."
            )
        )
    own = marks.own_played
    if own and own.on is not None and own.mark is not None:
        sentence = _("The player rated the own bow {mark} on {day}; what the bows promise is measured against that.")
        said.append(sentence.format(mark=formats.mark(own.mark), day=formats.day(own.on)))
    if marks.kept:
        copy, day = marks.kept
        sentence = _(
            "The player kept {copy} on {day}, so earlier marks of the own bow are left out: ask how the bow in use is liked."
        )
        said.append(sentence.format(copy=copy, day=formats.day(day)))
    return tuple(said)


def _history(bow: Ranked) -> str:
    """Say what earlier players made of it, unless the first sentence did."""
    if bow.why in (RankReason.LIKED, RankReason.LIKE_ITS_TIER, RankReason.NEVER_TRIED):
        return ""
    if bow.rated:
        return _liked(bow)
    return _not_yet_learnt(bow) if bow.tried else _("Nobody has rated it yet.")


def _liked(bow: Ranked) -> str:
    count = bow.tried or 0
    if not count:
        return _("Rated before, and liked about as its model as a whole.") if bow.rated else ""
    if bow.liked >= NOTABLE:
        sentence = ngettext(
            "Rated in one trial, and liked better than its model as a whole.",
            "Rated in {count} trials, and liked better than its model as a whole.",
            count,
        )
    elif bow.liked <= -NOTABLE:
        sentence = ngettext(
            "Rated in one trial, and liked less than its model as a whole.",
            "Rated in {count} trials, and liked less than its model as a whole.",
            count,
        )
    else:
        sentence = ngettext(
            "Rated in one trial, and liked about as its model as a whole.",
            "Rated in {count} trials, and liked about as its model as a whole.",
            count,
        )
    return sentence.format(count=formats.counted(count))


def _not_yet_learnt(bow: Ranked) -> str:
    """Say that a bow was rated after the model in use was fitted."""
    count = bow.tried or 0
    return ngettext(
        "Rated in one trial; the next fit will learn from it.",
        "Rated in {count} trials; the next fit will learn from them.",
        count,
    ).format(count=formats.counted(count))


def lacking(tier_name: str, missing: int, workshop: int) -> str:
    """Say how many bows of a tier are wanted beyond those at hand, and how many the workshop has."""
    wanted = ngettext(
        "One more {tier} is wanted than is at hand.", "{missing} more {tier} are wanted than are at hand.", missing
    ).format(missing=formats.capital(formats.counted(missing)), tier=tier_name)
    sentence = ngettext("The workshop has one {tier}.", "The workshop has {workshop} {tier}.", workshop).format(
        workshop=formats.counted(workshop), tier=tier_name
    )
    none = _("The workshop has none either.")
    said = [*([wanted] if missing else []), formats.capital(sentence) if workshop else none if missing else ""]
    return " ".join(part for part in said if part)
