"""From the stored advice document to sentences: what to try, why, and how sure that is. An honest colleague's voice.

While the basis is the prior, no sentence holds a percentage: the figures would look surer than they are.
"""

from collections.abc import Mapping, Sequence
from typing import Any

from model.vocabulary import Basis, Criterion, Hold, Instrument, Role
from service import formats
from service.language import N_, _, ngettext
from service.words import phrases

Document = Mapping[str, Any]

WIDE = 4.0
"""Points between the ends of the interval from which on it counts as wide: two thirds of the scale from 1 to 7."""
SMALL = 0.5
"""Points below which an advantage is said to be small."""
MOST_BOWS = 6
"""As many bows as a player keeps apart in one sitting (common practice, no source)."""

_NEXT = (
    N_("A first bow"),
    N_("A second bow"),
    N_("A third bow"),
    N_("A fourth bow"),
    N_("A fifth bow"),
    N_("A sixth bow"),
)


def rests_on_prior(doc: Document) -> bool:
    """Say whether so few trials stand behind the advice that no percentage is shown."""
    return bool(doc["model"]["basis"] == Basis.PRIOR)


def players(doc: Document) -> str:
    """Return whose trials are counted: 'violinists', 'bass players with the German hold'."""
    answers = doc["answers"]
    hold = answers.get("hold")
    return _(phrases.PLAYERS_BY_HOLD[Hold(hold)] if hold else phrases.PLAYERS[Instrument(answers["instrument"])])


def headline(doc: Document) -> str:
    """Return the result page's heading."""
    if not doc["shortlist"]:
        return _("Nothing in the range fits these answers")
    if not doc["trial"] or not doc["trial"]["copies"]:
        return _("What could suit you, and why")
    copies = doc["trial"]["copies"]
    sentence = ngettext("{bows} to try, and why this one", "{bows} to try, and why these", copies)
    return formats.capital(sentence.format(bows=formats.bows(copies)))


def lead(doc: Document) -> str:
    """Return the paragraph under the heading: what was asked for, and what the answer rests on."""
    if not doc["shortlist"]:
        return _("Change the budget or another answer, or ask us: we may know of a bow that is not listed.")
    return " ".join(part for part in (_asked_for(doc), _rests_on(doc)) if part)


def _asked_for(doc: Document) -> str:
    wishes = [_(phrases.CRITERIA[Criterion(name)].wish) for name in doc["answers"].get("priorities", ())]
    if not wishes:
        return ""
    return _("You asked for {wishes}.").format(
        wishes=_(", then ").join([_("{wish} first").format(wish=wishes[0]), *wishes[1:]])
    )


def _rests_on(doc: Document) -> str:
    if any(note["code"] == "beliefs_stand_in" for note in doc["notes"]):
        return _("What trials have taught is not at hand, so these tiers are a first guess for the trial to correct.")
    if rests_on_prior(doc):
        return _(
            "Few trials by {players} are known yet, so these tiers are a first guess for the trial to correct."
        ).format(players=players(doc))
    if doc["trial"] and not doc["trial"]["copies"]:
        sentence = _("From {trials} by {players} we expect your own bow to please you more than these.")
        return sentence.format(trials=formats.trials(doc["model"]["trials"]), players=players(doc))
    sentence = ngettext(
        "From {trials} by {players} we expect this tier to suit you.",
        "From {trials} by {players} we expect these tiers to suit you.",
        len(doc["shortlist"]),
    )
    return sentence.format(trials=formats.trials(doc["model"]["trials"]), players=players(doc))


def role_words(role: str) -> str:
    """Return a role of the shortlist in words."""
    return _(phrases.ROLES[Role(role)])


def criterion_advantage(criterion: str, effect: float) -> str:
    """Return what an advantage (or, below 0, a drawback) on a criterion means: 'speak sooner', 'speak later'."""
    words = phrases.CRITERIA[Criterion(criterion)]
    return _(words.more if effect >= 0 else words.less)


def yardstick(doc: Document) -> str:
    """Return what the tiers are compared with: 'than your own bow'."""
    state = doc["own_bow"]["state"]
    return _(phrases.YARDSTICKS[state])


def effect_sentence(effect: Mapping[str, Any], doc: Document) -> str:
    """Return one reason or weakness ({criterion, effect in points}) as a sentence of its own."""
    sentence = (
        _("Likely to {do} {than}, if only a little.") if abs(effect["effect"]) < SMALL else _("Likely to {do} {than}.")
    )
    return sentence.format(do=criterion_advantage(effect["criterion"], effect["effect"]), than=yardstick(doc))


def reason_sentence(entry: Mapping[str, Any], doc: Document) -> str:
    """Return one sentence why a tier of the shortlist is there, its likely weakness told too."""
    strengths = [criterion_advantage(reason["criterion"], reason["effect"]) for reason in entry["reasons"]]
    drawbacks = [criterion_advantage(weak["criterion"], weak["effect"]) for weak in entry.get("weaknesses", ())]
    if not strengths and not drawbacks:
        # Only a tier that is more likely than not to please is said to fit.
        fits = entry["beats_own_bow"] >= 0.5
        return (
            _("No single strength stands out; it is the whole that fits.")
            if fits
            else _("No single strength stands out.")
        )
    if not strengths:
        sentence = _("No single strength stands out; likely to {drawbacks} {than}.")
    elif drawbacks:
        sentence = _("Likely to {strengths} {than}, but also to {drawbacks}.")
    elif max(reason["effect"] for reason in entry["reasons"]) < SMALL:
        sentence = _("Likely to {strengths} {than}, if only a little.")
    else:
        sentence = _("Likely to {strengths} {than}.")
    return sentence.format(strengths=_joined(strengths), drawbacks=_joined(drawbacks), than=yardstick(doc))


def _joined(parts: Sequence[str]) -> str:
    return formats.listed([parts[0], *(_("to {do}").format(do=part) for part in parts[1:])]) if parts else ""


def above_budget(entry: Mapping[str, Any], doc: Document) -> str | None:
    """Say by how much a tier is dearer than the budget, in the budget's own currency; None where it is not."""
    budget = doc["answers"].get("budget")
    if not budget or budget["currency"] != entry["currency"] or entry["price"] <= budget["amount"]:
        return None
    over = formats.money(entry["price"] - budget["amount"], entry["currency"])
    return _("This is {over} above your budget.").format(over=over)


def bring_words(entry: Mapping[str, Any]) -> str:
    """Say how many copies of a tier to try."""
    if not entry["copies"]:
        dearer = entry["role"] == Role.STEP_UP
        return _("ask for it if the others leave you wishing") if dearer else _("none to try at first")
    return _("try {copies}").format(copies=formats.copies(entry["copies"]))


def recommendation(doc: Document) -> str:
    """Say how many bows to try and of which tiers, how long it takes, and why no more."""
    trial = doc["trial"]
    if not trial:
        return _("There is nothing to try for these answers.")
    if not trial["copies"]:
        return _("None of these is worth a trial against your own bow as things stand.")
    parts = [_what_to_try(doc), _chance_of_one(doc), _how_long(trial), _why_no_more(doc)]
    return " ".join(part for part in parts if part)


def _what_to_try(doc: Document) -> str:
    tiers = [
        _("{count} of {tier}").format(count=formats.counted(entry["copies"]), tier=entry["name"])
        for entry in doc["shortlist"]
        if entry["copies"]
    ]
    bows = formats.bows(doc["trial"]["copies"])
    if len(tiers) == 1:
        name = next(entry["name"] for entry in doc["shortlist"] if entry["copies"])
        return ngettext("Try {bows} of {tier}.", "Try {bows}, all of {tier}.", doc["trial"]["copies"]).format(
            bows=bows, tier=name
        )
    return _("Try {bows}: {tiers}.").format(bows=bows, tiers=formats.listed(tiers))


def _chance_of_one(doc: Document) -> str:
    if rests_on_prior(doc):
        return ""
    trial = doc["trial"]
    if doc["own_bow"]["state"] == "none":
        sentence = ngettext(
            "That you would call it good is {chance}.",
            "That you would call at least one of them good is {chance}.",
            trial["copies"],
        )
    else:
        sentence = ngettext(
            "That it beats your own bow is {chance}.",
            "That at least one of them beats your own bow is {chance}.",
            trial["copies"],
        )
    return sentence.format(chance=formats.chance(trial["chance_one_beats_own_bow"]))


def _how_long(trial: Mapping[str, Any]) -> str:
    own_included = trial["runs"] > trial["copies"]
    sentence = _("It takes about {minutes}, your own bow included.") if own_included else _("It takes about {minutes}.")
    return sentence.format(minutes=formats.minutes(trial["minutes"]))


def _why_no_more(doc: Document) -> str:
    codes = {note["code"] for note in doc["notes"]}
    copies = doc["trial"]["copies"]
    if copies >= MOST_BOWS:
        return _("More than six bows are hard to keep apart in one sitting.")
    if "limited_by_time" in codes:
        return _("There is no time for more.")
    if len(doc["trial"]["by_copies"]) <= copies:
        return _("There are no more copies at hand that would help.")
    if {
        "short_of_stock",
        "by_stock",
    } <= codes:  # without the latter nothing of these is at hand, and the steps are of any bows
        return _("{another} from what is at hand would win little more.").format(another=_(_NEXT[copies]))
    return _("{another} would add little.").format(another=_(_NEXT[copies]))


def sureness(doc: Document) -> str:
    """Say how sure the advice is, with the number of trials behind it."""
    model = doc["model"]
    values = {"trials": formats.trials(model["trials"]), "players": players(doc)}
    if rests_on_prior(doc):
        return _(
            "Not sure at all yet: {trials} by {players} stand behind this, too few to give figures. It rests mostly on how tiers "
            "are commonly graded; let the trial decide."
        ).format(**values)
    behind = _("{trials} by {players} stand behind this.").format(**values)
    return " ".join(part for part in (formats.capital(behind), _spread(doc)) if part)


def _spread(doc: Document) -> str:
    if not doc["shortlist"]:
        return ""
    fit = doc["shortlist"][0]["fit"]
    values = {"name": doc["shortlist"][0]["name"], "interval": formats.interval(fit["low"], fit["high"])}
    if is_wide(doc):
        return _(
            "For an answer like yours that is little: your rating of a copy of {name} may fall anywhere within {interval}, on "
            "the scale from 1 to 7."
        ).format(**values)
    return _(
        "Single copies differ: of ten copies of {name}, you would probably rate nine within {interval}, on the scale from 1 to 7."
    ).format(**values)


def is_wide(doc: Document) -> bool:
    """Say whether the best entry's interval is so wide that few trials like the player's can stand behind it."""
    if any(note["code"] == "few_trials" for note in doc["notes"]):
        return True
    fits = [entry["fit"] for entry in doc["shortlist"][:1]]
    return any(fit["high"] - fit["low"] > WIDE for fit in fits)
