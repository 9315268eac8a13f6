"""How many bows to try and which, how long it takes, and why no more: as the verdict has it, and no word beyond it."""

from collections.abc import Mapping
from typing import Any

from service.advice import verdict
from service.advice.entries import above_budget
from service.advice.verdict import ASK, CURIOUS, Document, advises, chance_words, code, knows_stock, rests_on_prior
from service.core import formats
from service.core.language import N_, _, ngettext

MOST_BOWS = 6
"""As many bows as a player keeps apart in one sitting (common practice, no source)."""
LITTLE_CHANCE, LITTLE_GAIN = 0.03, 0.02
"""A further bow adds little where it adds less of either: to the chance, and in points."""
SOME_GAIN = 0.05
"""From so many points on what a further bow wins is more than a little (a judgement)."""
MOST_TIERS = 3
"""Of as many tiers as are told apart in one sitting (a judgement)."""

LITTLE = (
    N_("A first bow would add little."),
    N_("A second bow would add little."),
    N_("A third bow would add little."),
    N_("A fourth bow would add little."),
    N_("A fifth bow would add little."),
    N_("A sixth bow would add little."),
)
_RAISES = (
    N_("With a first bow it would be {percent}."),
    N_("With a second bow it would be {percent}."),
    N_("With a third bow it would be {percent}."),
    N_("With a fourth bow it would be {percent}."),
    N_("With a fifth bow it would be {percent}."),
    N_("With a sixth bow it would be {percent}."),
)
_SOME = (
    N_("A first bow would win a little more, hardly worth its effort."),
    N_("A second bow would win a little more, hardly worth its effort."),
    N_("A third bow would win a little more, hardly worth its effort."),
    N_("A fourth bow would win a little more, hardly worth its effort."),
    N_("A fifth bow would win a little more, hardly worth its effort."),
    N_("A sixth bow would win a little more, hardly worth its effort."),
)
NO_MORE = N_("No more suitable bows are at hand.")


def recommendation(doc: Document) -> str:
    """Say how many bows to try and of which tiers, how long it takes, and why no more."""
    trial, said = doc["trial"], code(doc)
    if not trial:
        return _("There is nothing to try for these answers.")
    if said == ASK:
        nothing = (
            _("There is nothing suitable at hand to play today but bows that you did not like.")
            if verdict.none_liked(doc)
            else _("There is nothing suitable at hand to play today.")
        )
        return " ".join(part for part in (nothing, verdict.elsewhere(doc)) if part)
    if not trial["copies"]:
        return _("None of these is worth a trial against your own bow as things stand.")
    if not advises(doc):
        same = _("If you would like to compare all the same: {tiers}.").format(tiers=_of_tiers(doc))
        return f"{same} {_how_long(trial)}"
    parts = [_what_to_try(doc), _chance_of_one(doc), _why_no_more(doc), _how_long(trial)]
    return " ".join(part for part in parts if part)


def _of_tiers(doc: Document) -> str:
    return formats.listed(
        [
            ngettext("one {tier}", "{count} {tier}", entry["copies"]).format(
                count=formats.counted(entry["copies"]), tier=entry["name"]
            )
            for entry in doc["shortlist"]
            if entry["copies"]
        ]
    )


def _what_to_try(doc: Document) -> str:
    brought = [entry for entry in doc["shortlist"] if entry["copies"]]
    curious, none = code(doc) == CURIOUS, doc["own_bow"]["state"] == "none"
    if len(brought) == 1:
        sentence = _of_one_model(doc["trial"]["copies"], curious=curious and not none)
    elif not curious:
        sentence = _("Try {bows} bows: {tiers}.")
    elif none:
        sentence = _("To get to know them, try {bows} bows: {tiers}.")
    else:
        sentence = _("If you are curious, try {bows} bows: {tiers}.")
    bows, model = formats.counted(doc["trial"]["copies"]), brought[0]["name"] if brought else ""
    return sentence.format(bows=bows, tiers=_of_tiers(doc), model=model)


def _of_one_model(copies: int, *, curious: bool) -> str:
    if curious:
        return ngettext(
            "If you are curious, try one bow, of the model {model}.",
            "If you are curious, try {bows} bows, all of the model {model}.",
            copies,
        )
    return ngettext("Try one bow, of the model {model}.", "Try {bows} bows, all of the model {model}.", copies)


def _chance_of_one(doc: Document) -> str:
    if rests_on_prior(doc):
        return ""
    trial = doc["trial"]
    if doc["own_bow"]["state"] == "none":
        sentence = ngettext(
            "It is {chance} that you would call it good.",
            "It is {chance} that you would call at least one of them good.",
            trial["copies"],
        )
    else:
        sentence = ngettext(
            "It is {chance} that you like it better than your own bow, if only a little.",
            "It is {chance} that you like at least one of them better than your own bow, if only a little.",
            trial["copies"],
        )
    return sentence.format(chance=chance_words(trial["chance_one_beats_own_bow"], doc))


def _how_long(trial: Mapping[str, Any]) -> str:
    own_included = trial["runs"] > trial["copies"]
    sentence = _("It takes about {minutes}, your own bow included.") if own_included else _("It takes about {minutes}.")
    return sentence.format(minutes=formats.minutes(trial["minutes"]))


def _why_no_more(doc: Document) -> str:
    copies, rows = doc["trial"]["copies"], doc["trial"]["by_copies"]
    if copies >= MOST_BOWS:
        return _("More than six bows are hard to keep apart in one sitting.")
    # Documents of before this was kept do not say what ends the rows, and nothing is made up.
    ends = doc["trial"].get("ends")
    if any(note["code"] == "limited_by_time" for note in doc["notes"]) or (len(rows) <= copies and ends == "time"):
        return _("There is no time for more.")
    if len(rows) > copies:
        return _one_more(rows[copies - 1], rows[copies], copies, doc)
    if ends == "stock" and knows_stock(doc):
        return _(NO_MORE)
    return _held_back(doc) if ends == "tiers" else ""


def _held_back(doc: Document) -> str:
    """Say why bows that are at hand and would suit are not among the bows to bring: of a fourth tier, or dearer than the budget."""
    brought = [entry for entry in doc["shortlist"] if entry["copies"]]
    dearer = any(above_budget(entry, doc) for entry in brought)
    if len(brought) < MOST_TIERS:
        return _("More suitable bows are at hand, but above your budget.") if doc["answers"].get("budget") else ""
    if dearer:
        return _("More suitable bows are at hand, but of a fourth model or above your budget.")
    return _("More suitable bows are at hand, but of a fourth model, and three are enough for one sitting.")


def _one_more(here: Mapping[str, Any], further: Mapping[str, Any], copies: int, doc: Document) -> str:
    """Say what one bow more would add."""
    chance = round(further["chance"] - here["chance"], 9)
    gain = round(further["expected_gain"] - here["expected_gain"], 9)
    if chance < LITTLE_CHANCE and gain < LITTLE_GAIN:
        return _(LITTLE[copies])
    if chance >= LITTLE_CHANCE and not rests_on_prior(doc):
        return _(_RAISES[copies]).format(percent=formats.percent(further["chance"]))
    if gain < SOME_GAIN:
        return _(_SOME[copies])
    return _("One more bow would win more still, but is left out for the effort of bringing it.")
