"""The sentences of the model's page, in an honest colleague's voice; what is not known is said."""

from collections.abc import Iterator, Sequence

from model.choice import PurchaseModel
from model.domain.vocabulary import OVERALL
from model.preference import TRIALS_FOR_A_BASIS, CataloguePosterior, CopyEffects, PurchaseEffects, report
from service.core import formats
from service.core.formats import NBSP
from service.core.language import _, ngettext
from service.modelling import fitted_words, stored_files
from service.modelling.model_page.checkups import Version
from service.modelling.model_page.facts import Facts

REPEATS_THAT_TELL = 30
"""From so many repeated plays on, match and repeat count as told apart by the data (a judgement, no source)."""
MOST_NAMED = 8
"""So many copies are named under one heading; the table has them all."""
HALF = 0.5
"""Share of what is known below which the starting values are said to rule."""


def quiet_line(facts: Facts) -> str:
    """Return version, date, trials and ratings, as the line above the heading."""
    posterior = facts.posterior
    parts = (
        _("Version {number}").format(number=facts.version.number),
        _("fitted on {day}").format(day=formats.day(facts.version.fitted_at.date())),
        formats.trials(sum(posterior.trials.values())),
        fitted_words.ratings(int(posterior.rows[OVERALL])),
    )
    return f"{NBSP}· ".join(parts)


def lead(facts: Facts) -> tuple[str, ...]:
    """Return what the version has learnt from, how much of the range it knows, and whether there is news since."""
    return (*_learnt_from(facts), _known(facts), _news(facts))


def _learnt_from(facts: Facts) -> list[str]:
    trials, people = facts.tally.trials, fitted_words.players(len(facts.tally.bows_of_players))
    if not trials or facts.first is None or facts.last is None:
        return [_("There is no trial on record in which a bow of the range was rated.")]
    words = {"trials": formats.trials(trials), "players": people}
    if facts.first == facts.last:
        record = _("On record: {trials} by {players}, on {day}.").format(day=formats.day(facts.first), **words)
    else:
        days = {"first": formats.day(facts.first), "last": formats.day(facts.last)}
        record = _("On record: {trials} by {players}, between {first} and {last}.").format(**days, **words)
    said = [record]
    if sum(facts.posterior.trials.values()) < TRIALS_FOR_A_BASIS:
        said.append(_("That is little: the starting values still speak loudest."))
    return said


def _known(facts: Facts) -> str:
    judged = sum(map(facts.is_judged, facts.tiers))
    if judged == len(facts.tiers):
        return _("Every model is known well enough to be judged.")
    if not judged:
        return _("No model is known well enough to be judged yet.")
    sentence = ngettext(
        "Of {all} models, {judged} is known well enough to be judged.",
        "Of {all} models, {judged} are known well enough to be judged.",
        judged,
    )
    return sentence.format(all=formats.counted(len(facts.tiers)), judged=formats.counted(judged))


def _news(facts: Facts) -> str:
    if facts.unchanged:
        return _("Nothing has been added since this version was fitted.")
    return _(
        "Trials, outcomes or the range have changed since this version was fitted: counts on this page are today’s, and a "
        "new fit would take the rest in."
    )


# What one rating is made of


def rating_lead(view: CataloguePosterior) -> str:
    """Return how far one rating strays."""
    strays = float(report.variance_parts(view)[OVERALL].sum() ** 0.5)
    return _(
        "One player’s one rating of a bow as a whole strays about {points} points from what its model is worth to people at large (standard deviation). Four things make it stray; these are their shares of the variance:"
    ).format(points=formats.number(strays))


def rating(facts: Facts) -> tuple[str, ...]:
    """Return what follows from the parts: how much of a good copy is good for all, and how surely match and repeat are told apart."""
    common = _(
        "Of what makes one bow better than another of its model for a player, {share} holds for everyone: that can be known beforehand. The rest is the match, and only a trial finds it."
    ).format(share=formats.percent(report.copy_share(facts.view)))
    return common, _how_repeat_is_told(facts.tally.repeats)


def _how_repeat_is_told(repeats: int) -> str:
    if not repeats:
        return _("No player has rated a bow twice in a trial, so the starting share rules between match and repeat.")
    told = (
        _("A bow was played twice by the same player in {count} cases; these tell match and repeat apart.")
        if repeats >= REPEATS_THAT_TELL
        else ngettext(
            "A bow was played twice by the same player in {count} case: too few to tell match from repeat, so the starting share rules between the two.",
            "A bow was played twice by the same player in {count} cases: too few to tell match from repeat, so the starting share rules between the two.",
            repeats,
        )
    )
    return told.format(count=formats.number(repeats, 0))


# How copies of a tier differ


def copies_lead(facts: Facts) -> tuple[str, ...]:
    """Return what the pictures of the tiers show."""
    return (
        _(
            "For each model: how its bows differ in liking as a whole, for people at large and as they are now. The line at 0 is the model itself; the dot is what we expect of the bow, the bar holds its true place nine times in ten."
        ),
        _("A bar that crosses 0 means that the bow may just as well be like its model."),
        *([_("Only the bows of {dealer} are shown one by one.").format(dealer=facts.at)] if facts.at else []),
    )


def notable(facts: Facts, slug: str) -> dict[str, tuple[str, ...]]:
    """Return best and worst of a tier, what was played and never kept, and what was never rated; none of these: nothing."""
    effects = facts.effects[slug]
    order = effects.order
    ends = [(_("Best liked"), order[0]), (_("Least liked"), order[-1])] if len(order) > 1 else []
    found = [(label, [_effect(effects, place)]) for label, place in ends]
    found += [(_("Played, never kept"), _never_kept(facts, slug)), (_("Never rated yet"), _never_rated(facts, slug))]
    return {label: _first(copies) for label, copies in found if copies}


def _first(copies: Sequence[str]) -> tuple[str, ...]:
    """Return the first copies, and how many more there are."""
    left_out = len(copies) - MOST_NAMED
    if left_out < 2:  # one more takes no more room than to say so
        return tuple(copies)
    return (*copies[:MOST_NAMED], ngettext("{count} more bow", "{count} more bows", left_out).format(count=left_out))


def how_apart(facts: Facts, slug: str) -> str:
    """Return how surely best and worst of a tier differ, or why that cannot be said."""
    effects = facts.effects[slug]
    order = effects.order
    if not order:
        if facts.at is not None:
            return _("No bow here has been rated yet, so nothing is known of how they differ.")
        return _("No bow of this model has been rated yet, so nothing is known of how they differ.")
    if len(order) == 1:
        sentence = _("Of this model only {copy} has been rated; never judge a model by one bow.")
        if facts.at is not None:
            sentence = _("Of these bows only {copy} has been rated; never judge a model by one bow.")
        return sentence.format(copy=effects.serials[order[0]])
    chance = effects.chance_ahead(order[0], order[-1])
    few = facts.count(slug).trials < TRIALS_FOR_A_BASIS
    word = formats.chance_word(chance) if few else formats.chance(chance)
    return _("That the best liked is really better than the least liked is {chance}.").format(chance=word)


def _effect(effects: CopyEffects, place: int) -> str:
    return f"{effects.serials[place]}{NBSP}({fitted_words.signed(float(effects.mean[place]))})"


def _never_kept(facts: Facts, slug: str) -> list[str]:
    """Name the copies still there that nobody kept, those first that most trials had."""
    kept = facts.tally.kept
    never = [s for s in facts.effects[slug].serials if s in kept and not kept[s].kept and not facts.is_gone(s)]
    return [
        f"{serial} ({formats.trials(kept[serial].decided)})"
        for serial in sorted(never, key=lambda serial: (-kept[serial].decided, serial))
    ]


def _never_rated(facts: Facts, slug: str) -> list[str]:
    serials = facts.effects[slug].serials
    never = sorted(serial for serial in serials if serial not in facts.tally.copies and not facts.is_gone(serial))
    return never if len(never) < len(serials) else []


# Where too little is known


def thin_tiers(facts: Facts) -> tuple[str, ...]:
    """Return which tiers cannot be judged yet, and what is meant by it."""
    meant = _(
        "A model’s level is what people at large would give one of its bows, blind and midway through a trial. We call a model known once its level is sure to within half a point either way, nine times in ten, and at least two of its bows were rated."
    )
    thin = [slug for slug in facts.by_grade if not facts.is_judged(slug)]
    if not thin:
        return meant, _("That holds for every model.")
    if len(thin) == len(facts.tiers):
        return meant, _("That holds for none of the models yet.")
    names = [facts.names.get(slug, slug) for slug in thin]
    return meant, _("Not known well enough yet: {tiers}.").format(tiers=formats.listed(names))


def thin_players(facts: Facts) -> tuple[str, ...]:
    """Return after how many bows a player is known, and how many players have rated fewer."""
    rated, needed = facts.tally.bows_of_players, report.ratings_for_reliability(facts.view)
    if not rated:
        return (_("No player has rated a bow of the range yet."),)
    if needed is None:
        return (_("As far as ratings tell, players do not differ in leniency: there is nothing to know of them."),)
    rest = ngettext(
        "Whether a player gives high or low marks is half known after {count} bow.",
        "Whether a player gives high or low marks is half known after {count} bows.",
        needed,
    ).format(count=formats.counted(needed))
    fewer = sum(bows < needed for bows in rated)
    if not fewer:
        return rest, _("Each of the {players} on record has rated as many.").format(
            players=fitted_words.players(len(rated))
        )
    if fewer == len(rated):
        return rest, _("Not one of the {players} on record has rated as many.").format(
            players=fitted_words.players(fewer)
        )
    sentence = ngettext(
        "{fewer} of the {all} on record has rated fewer, and cannot be judged.",
        "{fewer} of the {all} on record have rated fewer, and cannot be judged.",
        fewer,
    )
    return rest, sentence.format(fewer=formats.number(fewer, 0), all=fitted_words.players(len(rated)))


# What people keep


def keeping(learnt: PurchaseModel) -> tuple[str, ...]:
    """Return what outcomes tell of what people keep, and how much of it is only believed."""
    if not learnt.outcomes:
        return (
            _("No outcome tells yet what people keep, so the starting values rule:"),
            *_what_counts(learnt),
            *_left_out(learnt),
        )
    from_outcomes = ngettext(
        "Learnt from {count} trial of which we know what was kept.",
        "Learnt from {count} trials of which we know what was kept.",
        learnt.outcomes,
    ).format(count=formats.number(learnt.outcomes, 0))
    return (from_outcomes, *_what_counts(learnt), *_still_believed(learnt), *_left_out(learnt))


def _what_counts(learnt: PurchaseModel) -> list[str]:
    told = report.purchase_effects(learnt)
    return [
        _("Of two bows a point apart in everything, the better one is kept about {odds} times as often.").format(
            odds=formats.number(told.odds_of_a_point)
        ),
        _(
            "Beside the mark as a whole, a player’s priorities count {share}, give or take {within} points of a hundred."
        ).format(
            share=formats.percent(learnt.priority_weight), within=formats.number(100 * learnt.priority_weight_se, 0)
        ),
        _price_words(told),
        _("Of two bows rated alike, the own bow stays about {odds} times as often as the other is kept.").format(
            odds=formats.number(told.odds_of_own, 0 if told.odds_of_own >= 10 else 1)
        ),
    ]


def _price_words(told: PurchaseEffects) -> str:
    points = fitted_words.more_or_less(told.points_of_twice_the_price, None)
    counted = formats.number(told.points_counted, 2)
    if round(told.points_counted, 2) == 0:
        sentence = _("Twice the price weighs like {points} points of liking; the shortlist counts none of it.")
        return sentence.format(points=points)
    sentence = _(
        "Twice the price weighs like {points} points of liking; the shortlist counts {counted}, as far as outcomes tell."
    )
    return sentence.format(points=points, counted=counted)


def _still_believed(learnt: PurchaseModel) -> list[str]:
    overall, priorities, price, _own = report.purchase_effects(learnt).told
    if min(overall, priorities) < HALF:
        return [_("So few outcomes leave most of this to the starting values.")]
    return [_("What is said of the price is still mostly a starting value.")] if price < HALF else []


def _left_out(learnt: PurchaseModel) -> list[str]:
    if not learnt.left_out:
        return []
    reasons = [f"{_(why)} ({count})" for why, count in sorted(learnt.left_out.items(), key=lambda item: -item[1])]
    count = sum(learnt.left_out.values())
    sentence = ngettext(
        "The outcome of {count} more trial could not be used: {reasons}.",
        "The outcomes of {count} more trials could not be used: {reasons}.",
        count,
    )
    return [sentence.format(count=formats.number(count, 0), reasons="; ".join(reasons))]


# What it started from, and its versions


def beginnings(facts: Facts) -> tuple[str, ...]:
    """Return what the starting values are."""
    said = [
        _(
            "These are starting values: a judgement, not tuned to any data. The more trials there are, the less they count. In "
            "points of the scale from 1 to 7; ± is one standard deviation."
        )
    ]
    if not facts.same_code:
        said.append(
            _("This version was fitted by an earlier state of the program, whose starting values may have been others.")
        )
    return tuple(said)


def versions(facts: Facts) -> tuple[str, ...]:
    """Return which version is in use, and whether newer ones wait."""
    in_use = _("Version {number} is in use.").format(number=facts.adopted)
    if facts.adopted != facts.version.number:
        stands_in = _("It cannot be read, so version {number} stands in, and is what this page shows.")
        in_use = f"{in_use} {stands_in.format(number=facts.version.number)}"
    waiting = [
        str(each.number) for each in facts.versions if each.number > facts.adopted and each.standing == "candidate"
    ]
    if not waiting:
        return in_use, *_kept(facts)
    sentence = ngettext(
        "Version {numbers} is newer and stays a candidate; the table says why.",
        "Versions {numbers} are newer and stay candidates; the table says why.",
        len(waiting),
    )
    return in_use, sentence.format(numbers=formats.listed(waiting)), *_kept(facts)


def _kept(facts: Facts) -> Iterator[str]:
    """Give the rule by which versions keep their files, and which have lost theirs."""
    rule = _(
        "Older versions can be put in use again as long as all together take no more than {size} MB; the version in use, the one "
        "before it and the newest always can."
    )
    yield rule.format(size=formats.number(stored_files.KEPT_TOGETHER / stored_files.MEGABYTE, 0))
    gone = [str(each.number) for each in facts.versions if each.put_away]
    if gone:
        sentence = ngettext(
            "Of version {numbers} only the check-up is left.",
            "Of versions {numbers} only the check-ups are left.",
            len(gone),
        )
        yield sentence.format(numbers=formats.listed(gone))


def version_cells(version: Version) -> tuple[str, ...]:
    """Return one row of the table of versions."""
    return (
        str(version.number),
        fitted_words.held(formats.day(version.fitted_at.date())),
        formats.number(version.trials, 0),
        _(fitted_words.STANDINGS[version.standing]),
        version.why or "–",
    )


def cautions() -> tuple[str, ...]:
    """Return what to bear in mind when reading the page."""
    return (
        _("All of this is an estimate from past trials, with its uncertainty; hand and ear decide."),
        _("A bow that was rehaired, recambered or repaired is another bow in part: older ratings of it count less."),
        _("Players are counted on this page and never named."),
    )
