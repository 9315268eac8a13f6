"""The model of one player written out: one long Gaussian vector, conditioned the plain way.

Slow and without a shortcut, to be compared with the product's closed forms. Every component (coefficients, the player's own
effects, copies, matches, noise) has, over two criteria c and d, the covariance R_cd L_c L_d', L_c the root of the
component's covariance for criterion c alone, R the component's own correlations. Conditioning: Rasmussen & Williams 2006, Gaussian Processes for Machine
Learning, appendix A.2.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from model.domain.arrays import Floats
from model.domain.records import Answers, Range, Run
from model.domain.vocabulary import CRITERIA, Criterion, Instrument
from model.features.bench_traits import USED
from model.features.design import TIER_SD
from model.preference.fitted import FittedModel

C = len(CRITERIA)
TRAITS = ("mass", "balance", "brightness", "stiffness", "swing", "frequency", "damping", "length")
READ = {
    "mass": {"mass": 1.0},
    "balance": {"balance": 1.0},
    "speed of sound": {"brightness": 1.0},
    "loss factor": {"brightness": -1.0, "damping": 1.0},
}
"""What the bench has read in the worlds of these tests, and of which traits that makes part."""
SAID_SD, POINTS_OF_A_STEP = 0.4, 0.3
"""What a tier is believed to be where its maker has spoken of it, in points: as NOTATION states it."""
NO_TRAITS = (0.0,) * len(TRAITS)
BELIEVED_NOISE = 0.7
"""The noise in whose units the deviations of the coefficients' prior are given."""


@dataclass
class Components:
    """Independent components, each a family of C jointly normal vectors; a functional is a row over all of them."""

    names: dict[str, tuple[int, int]] = field(default_factory=dict)
    parts: list[Floats] = field(default_factory=list)
    size: int = 0

    def add(self, name: str, roots: Floats, correlation: Floats) -> None:
        """Add a component by its roots (C, m, m) and its correlations (C, C)."""
        m = roots.shape[1]  # the root of a part of a covariance may have fewer columns
        covariance = np.einsum("cd,cij,dkj->cidk", correlation, roots, roots).reshape(C * m, C * m)
        self.names[name] = (self.size, m)
        self.parts.append(covariance)
        self.size += C * m

    def add_scalar(self, name: str, sd: Floats, correlation: Floats) -> None:
        self.add(name, sd[:, None, None], correlation)

    def add_covariance(self, name: str, covariance: Floats) -> None:
        """Add one number a criterion by their covariance (C, C)."""
        self.names[name] = (self.size, 1)
        self.parts.append(covariance)
        self.size += C

    def covariance(self) -> Floats:
        out, at = np.zeros((self.size, self.size)), 0
        for part in self.parts:
            out[at : at + len(part), at : at + len(part)] = part
            at += len(part)
        return out

    def put(self, row: Floats, name: str, c: int, weights: Floats | float) -> None:
        """Add to a functional: weights on the component for criterion c."""
        start, m = self.names[name]
        row[start + c * m : start + (c + 1) * m] += weights


@dataclass(frozen=True)
class Law:
    mean: Floats
    cov: Floats


class Dense:
    """Everything about one violin player as one Gaussian vector."""

    def __init__(self, posterior: FittedModel, range_: Range, answers: Answers, rested: Mapping[str, float]) -> None:
        """``rested``: for copies with one event after their last rating, the share rho of the effect that was kept."""
        self.posterior, self.range, self.answers, self.rested = posterior, range_, answers, rested
        self.tiers = [tier for tier in range_.tiers.values() if tier.instrument is answers.instrument]
        self.copies = [copy for copy in range_.copies.values() if copy.tier in {tier.slug for tier in self.tiers}]
        parts, R = Components(), posterior.correlations
        self.components = parts
        parts.add("beta", posterior.coef_root, R.coefficients)
        parts.add("player", posterior.players.root[:, :, :2], R.player)
        parts.add("tastes", posterior.players.root[:, :, 2:], R.tastes)
        parts.add_scalar("own match", posterior.players.own_match, R.match)
        for number, block in enumerate(posterior.blocks):
            parts.add(f"block {number}", block.root, R.copy)
        for copy in self.copies:
            parts.add_scalar(f"fresh {copy.serial}", posterior.copy_sd, R.copy)
            parts.add_scalar(f"match {copy.serial}", posterior.match_sd, R.match)
        for tier in self.tiers:
            sd = np.array([SAID_SD if criterion in tier.character else TIER_SD for criterion in CRITERIA])
            parts.add_scalar(f"tier {tier.slug}", sd * posterior.repeat_sd / BELIEVED_NOISE, R.prior_coefficients)
        for number in range(8):
            parts.add_scalar(f"noise {number}", posterior.repeat_sd, R.repeat)
        parts.add_scalar("new copy", posterior.copy_sd, R.copy)
        parts.add_scalar("new match", posterior.match_sd, R.match)
        parts.add_scalar("new noise", posterior.repeat_sd, R.repeat)
        parts.add_scalar("own noise", posterior.repeat_sd, R.repeat)
        parts.add_scalar("gamma", np.where(np.arange(C) == 0, posterior.profile.sd, 0.0), np.eye(C))
        self.emphasis = emphasis_of(answers.priorities)
        named = [(f"own {copy.serial}", self._found_of(copy.tier, copy.serial)) for copy in self.copies]
        named += [(f"new own {tier.slug}", self._found_of(tier.slug)) for tier in self.tiers]
        for name, V in named:
            parts.add_covariance(name, self._of_profile(V))

    # What everybody finds of a bow

    def quality(self, slug: str, c: int, serial: str | None = None) -> tuple[float, Floats]:
        """What everybody finds of a tier, or of a copy, on one criterion beyond the mean of the instrument's tiers."""
        mean, row = self._of_tier(slug, c)
        for tier in self.tiers:
            of, away = self._of_tier(tier.slug, c)
            mean, row = mean - of / len(self.tiers), row - away / len(self.tiers)
        if serial is not None:
            traits = self.posterior.design.traits([self.range.copies[serial]], self.range)[0]
            x = self._x(dict(zip(TRAITS, traits, strict=True)))
            self.components.put(row, "beta", c, x)
            mean += float(x @ self.posterior.coef[c]) + self._put_effect(row, serial, c)
        return mean, row

    def _of_tier(self, slug: str, c: int) -> tuple[float, Floats]:
        tier, design, row = self.range.tiers[slug], self.posterior.design, np.zeros(self.components.size)
        known = slug in design.index
        grade = tier.grade - design.middle[list(Instrument).index(tier.instrument)]
        x = self._x({"grade": grade, **({f"tier {slug}": 1.0} if known else {})})
        self.components.put(row, "beta", c, x)
        mean = float(x @ self.posterior.coef[c])
        if not known:
            self.components.put(row, f"tier {slug}", c, 1.0)
            mean += POINTS_OF_A_STEP * tier.character.get(CRITERIA[c], 0)
        return mean, row

    def _found_of(self, slug: str, serial: str | None = None) -> Floats:
        """The covariance (C, C) of what everybody finds of a copy, or of one of the tier not yet seen."""
        rows = np.array([self.quality(slug, c, serial)[1] for c in range(C)])
        if serial is None:
            for c in range(C):
                self.components.put(rows[c], "new copy", c, 1.0)
        V = rows @ self.components.covariance() @ rows.T
        if serial is None:
            posterior = self.posterior
            for made in READ.values():
                x = self._x(made)
                slopes, roots = posterior.coef @ x, x @ posterior.coef_root
                own = np.outer(slopes, slopes) + posterior.correlations.coefficients * (roots @ roots.T)
                V += self._spread() * own
        return np.asarray(V)

    def _spread(self) -> float:
        """Variance of a trait in units of that of the readings about their tiers' means, of which each takes up one."""
        of = [copy.tier for copy in self.copies if copy.tier in self.posterior.design.index]
        return len(of) / (len(of) - len(set(of)))

    def _of_profile(self, V: Floats) -> Floats:
        """The covariance of a copy's own from its profile: overall rating = ... + gamma times the emphasis on V's numbers."""
        gamma, w = self.posterior.profile, self.emphasis
        row = np.eye(C)
        row[0] += gamma.mean * w
        out = np.asarray(row @ V @ row.T - V)
        out[0, 0] += gamma.sd**2 * (w @ V @ w)
        return out

    def profile_variance(self, slug: str) -> float:
        """What the profile's uncertainty adds to the variance of the overall rating of an unknown copy of a tier."""
        return float(self._of_profile(self._found_of(slug))[0, 0])

    def _put_gamma(self, row: Floats, slug: str, serial: str | None = None) -> float:
        """Add what the priorities make of a bow's profile to its overall rating, and return its mean."""
        h = sum(self.emphasis[c] * self.quality(slug, c, serial)[0] for c in range(C))
        self.components.put(row, "gamma", 0, h)
        return float(self.posterior.profile.mean * h)

    # Rows of X, by the columns' names

    def _x(self, values: Mapping[str, float]) -> Floats:
        names = [column.name for column in self.posterior.design.columns]
        x = np.zeros(len(names))
        for name, value in values.items():
            x[names.index(name)] = value
        return x

    def _placed(self, position: int) -> dict[str, float]:
        if position == 0:
            return {}
        return {"position": (min(position, 12) - 3) / 3, "first bow": float(position == 1)}

    def x_own(self, position: int = 0) -> Floats:
        return self._x(
            {"intercept": 1.0, "own bow": 1.0, f"instrument {self.answers.instrument}": 1.0, **self._placed(position)}
        )

    def x_tier(self, slug: str, position: int = 0, traits: Sequence[float] = NO_TRAITS) -> Floats:
        tier, design = self.range.tiers[slug], self.posterior.design
        grade = tier.grade - design.middle[list(Instrument).index(tier.instrument)]
        values = {"intercept": 1.0, f"instrument {tier.instrument}": 1.0, "grade": grade, **self._placed(position)}
        values |= {f"{setting} x grade": grade for setting in self.answers.settings}
        values |= dict(zip(TRAITS, traits, strict=True))
        wished = np.clip(self._heavier(slug) + traits[0], -3, 3)
        values["wish_mass x mass"] = (self.answers.wish_mass or 0) * wished
        values["wish_tone x brightness"] = (self.answers.wish_tone or 0) * traits[2]
        if slug in design.index:
            values[f"tier {slug}"] = 1.0
        return self._x(values)

    def _heavier(self, slug: str) -> float:
        own, design = self.answers.own_bow, self.posterior.design
        if own is None or own.mass_g is None:
            return 0.0
        violin = list(Instrument).index(self.answers.instrument)
        centre = design.centres[design.index[slug], 0] if slug in design.index else design.fallback[violin, 0]
        return float(np.clip((centre - own.mass_g) / design.scales[violin, 0], -3, 3))

    # Functionals, each a mean and a row over all components

    def tier(self, slug: str, c: int, position: int = 0) -> tuple[float, Floats]:
        x = self.x_tier(slug, position)
        mean, row = self._liked(x, c, slug, NO_TRAITS)
        return (mean + self._put_gamma(row, slug) if c == 0 else mean), row

    def _liked(self, x: Floats, c: int, slug: str, traits: Sequence[float]) -> tuple[float, Floats]:
        row = np.zeros(self.components.size)
        self.components.put(row, "beta", c, x)
        grade = x[[column.name for column in self.posterior.design.columns].index("grade")]
        felt = np.array(traits)[:3] + self._of_tier_traits(slug)
        for part in ("player", "tastes"):
            self.components.put(row, part, c, np.array([1.0, 0.0, grade, *felt]))
        mean = float(x @ self.posterior.coef[c])
        if slug not in self.posterior.design.index:
            self.components.put(row, f"tier {slug}", c, 1.0)
            mean += POINTS_OF_A_STEP * self.range.tiers[slug].character.get(CRITERIA[c], 0)
        return mean, row

    def _of_tier_traits(self, slug: str) -> Floats:
        """How the tier's mean deviates from the instrument's, in units of the spread within tiers: a player's slopes count it."""
        design = self.posterior.design
        if slug not in design.index:
            return np.zeros(3)
        violin = list(Instrument).index(self.answers.instrument)
        of = [USED.index(name) for name in ("mass_g", "balance_mm", "speed_of_sound_m_s", "loss_factor")]
        centre, middle, scale = (
            a[of] for a in (design.centres[design.index[slug]], design.fallback[violin], design.scales[violin])
        )
        z = np.nan_to_num((centre - middle) / scale)
        return np.asarray(np.clip([z[0], z[1], z[2] - z[3]], -3, 3))

    def own(self, c: int, position: int = 0) -> tuple[float, Floats]:
        x, row = self.x_own(position), np.zeros(self.components.size)
        self.components.put(row, "beta", c, x)
        for part in ("player", "tastes"):
            self.components.put(row, part, c, np.array([1.0, 1.0, 0.0, 0.0, 0.0, 0.0]))
        self.components.put(row, "own match", c, 1.0)
        return float(x @ self.posterior.coef[c] + self.posterior.players.own_shift[c]), row

    def copy(self, serial: str, c: int, position: int = 0) -> tuple[float, Floats]:
        """The liking of a copy, its effect and match included: a = effect - coupling (beta - coef) + xi."""
        copy, parts = self.range.copies[serial], self.components
        traits = self.posterior.design.traits([copy], self.range)[0]
        mean, row = self._liked(self.x_tier(copy.tier, position, traits), c, copy.tier, traits)
        parts.put(row, f"match {serial}", c, 1.0)
        parts.put(row, f"own {serial}", c, 1.0)
        mean += self._put_effect(row, serial, c)
        return (mean + self._put_gamma(row, copy.tier, serial) if c == 0 else mean), row

    def _put_effect(self, row: Floats, serial: str, c: int) -> float:
        """Add a copy's own effect, as it is now, and return its mean."""
        posterior, parts = self.posterior, self.components
        place = next((k for k, (of, _) in enumerate(posterior.levels) if of == serial), None)
        rho = self.rested.get(serial, 1.0) if place is not None else 0.0
        parts.put(row, f"fresh {serial}", c, np.sqrt(1.0 - rho**2))
        if place is not None:
            number = next(b for b, block in enumerate(posterior.blocks) if place in block.levels)
            block = posterior.blocks[number]
            parts.put(row, f"block {number}", c, rho * (block.levels == place))
            parts.put(row, "beta", c, -rho * posterior.coupling[c, place])
            return float(rho * posterior.effect[c, place])
        return 0.0

    def new_rating(self, slug: str, c: int) -> tuple[float, Floats]:
        mean, row = self.tier(slug, c)
        for part in ("copy", "match", "noise"):
            self.components.put(row, f"new {part}", c, 1.0)
        self.components.put(row, f"new own {slug}", c, 1.0)
        return mean, row

    def own_rating(self, c: int) -> tuple[float, Floats]:
        mean, row = self.own(c)
        self.components.put(row, "own noise", c, 1.0)
        return mean, row

    # Conditioning

    def observed(self, runs: Sequence[Run]) -> tuple[Floats, Floats, Floats]:
        """Means (O,), rows (O, N) and values (O,) of all own ratings, the questionnaire's first."""
        rated = self.answers.own_bow.ratings if self.answers.own_bow else {}
        sheets: list[tuple[int, str | None, Mapping[Criterion, float]]] = [(0, None, rated)]
        sheets += [(run.position, run.copy, run.ratings) for run in runs]
        found = []
        for number, (position, copy, ratings) in enumerate(sheets):
            for criterion, value in ratings.items():
                c = CRITERIA.index(criterion)
                mean, row = self.own(c, position) if copy is None else self.copy(copy, c, position)
                self.components.put(row, f"noise {number}", c, 1.0)
                found.append((mean, row, value))
        means, rows, values = zip(*found, strict=True) if found else ((), (), ())
        return np.array(means), np.array(rows).reshape(-1, self.components.size), np.array(values)

    def counted(self, runs: Sequence[Run]) -> list[int]:
        """Places of the ratings that count: one of the own bow that raises what any bow leads by is left out, the worst first."""
        covariance, (_, B, _) = self.components.covariance(), self.observed(runs)
        own_sheets = [self.answers.own_bow.ratings if self.answers.own_bow else {}]
        sheets = [(None, own_sheets[0]), *((run.copy, run.ratings) for run in runs)]
        of_own = [copy is None for copy, ratings in sheets for _ in ratings]
        bows = [self.tier(tier.slug, 0) for tier in self.tiers] + [self.copy(copy.serial, 0) for copy in self.copies]
        leads = np.array([row - self.own(0)[1] for _, row in bows])
        places = list(range(len(of_own)))
        while any(of_own[place] for place in places):
            G, K = B[places] @ covariance @ B[places].T, leads @ covariance @ B[places].T
            highest = np.max(K @ np.linalg.inv(G), axis=0)
            own = [at for at, place in enumerate(places) if of_own[place]]
            worst = max(own, key=lambda at: highest[at])
            if highest[worst] <= 1e-12:
                break
            del places[worst]
        return places

    def law(self, functionals: Sequence[tuple[float, Floats]], runs: Sequence[Run]) -> Law:
        """The joint law of functionals given the ratings."""
        covariance = self.components.covariance()
        A, mu = np.array([row for _, row in functionals]), np.array([mean for mean, _ in functionals])
        expected, B, y = (of[self.counted(runs)] for of in self.observed(runs))
        if not len(y):
            return Law(mu, A @ covariance @ A.T)
        gain = np.linalg.solve(B @ covariance @ B.T, B @ covariance @ A.T).T
        return Law(mu + gain @ (y - expected), A @ covariance @ A.T - gain @ (B @ covariance @ A.T))


def emphasis_of(priorities: Sequence[Criterion]) -> Floats:
    """How much more than evenly each criterion counts: rank-order centroids (Barron & Barrett 1996) less 1/7."""
    out = np.zeros(C)
    if priorities:
        out[1:] = -1 / 7
        n = len(priorities)
        for place, criterion in enumerate(priorities, start=1):
            out[CRITERIA.index(criterion)] += sum(1 / j for j in range(place, n + 1)) / n
    return out


def weighed(functionals: Sequence[tuple[float, Floats]], weights: Floats) -> tuple[float, Floats]:
    """One functional from one a criterion (C,)."""
    mean = float(sum(w * m for w, (m, _) in zip(weights, functionals, strict=True)))
    return mean, np.asarray(sum(w * row for w, (_, row) in zip(weights, functionals, strict=True)))
