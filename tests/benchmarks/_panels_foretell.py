"""What each method foretells of raters and of items of a panel that it has not seen, in fixed folds.

A new rater tells r = 0 ... 3 ratings of their own, drawn at random, and the ones after the first three are foretold, the same
whatever r; nothing else of the rater is known. A new item comes with its covariates, and its raters with their other ratings.
At most `AHEAD` ratings of a rater are foretold in a fold, drawn at random: no heavy rater outweighs the others.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from sklearn.model_selection import KFold

from model.domain.arrays import Floats, Ints
from model.evaluation.baselines import Baseline, Table, baselines
from model.evaluation.metrics import Predictions
from model.mixed import Prior, RemlFit
from tests.benchmarks._panels_data import SEED, Panel
from tests.model.crossed import CrossedMixedModel
from tests.model.plain_record import Law, conditioned, copies_covariance, new_player

Bools = NDArray[np.bool_]

FOLDS = 5
TOLD = (0, 1, 2, 3)
AHEAD = 20
NEW_ITEMS = "new items"
BELIEVED = {"player_sd": 0.7, "copy_sd": 0.35, "interaction_sd": 0.45, "residual_sd": 0.7}
BELIEVED_TASTE = 0.3
"""Deviations that the service begins with, in points of its own scale; a judgement, no source."""
METHODS = (
    "random intercepts",
    "this model",
    "tastes always",
    "tastes, with prior",
    "global mean",
    "item mean",
    "item mean + raw offset",
    "ridge",
)
"""The first four tell a joint normal law; the others are those of `baselines`, in its order, a tier being one item."""


def after(told: int) -> str:
    """Name the situation of a new rater."""
    return f"new raters after {told}"


@dataclass(frozen=True)
class Ask:
    """Rows of one rater: told in order, and foretold."""

    rater: int
    told: Ints
    ahead: Ints


@dataclass(frozen=True)
class Fold:
    """What is fitted, and what is asked of the fit."""

    by: str
    number: int
    kept: Bools
    asks: Sequence[Ask]


def folds(panel: Panel) -> Iterator[Fold]:
    """Return `FOLDS` folds of raters, then as many of items."""
    for by, code in (("rater", panel.rater), ("item", panel.item)):
        splits = KFold(FOLDS, shuffle=True, random_state=SEED).split(np.unique(code))
        for number, (_, held) in enumerate(splits):
            out = np.isin(code, held)
            rng = np.random.default_rng([SEED, number, by == "item"])
            asks = [_ask(panel, by, int(rater), out, rng) for rater in np.unique(panel.rater[out])]
            yield Fold(by, number, ~out, [ask for ask in asks if len(ask.ahead)])


def _ask(panel: Panel, by: str, rater: int, out: Bools, rng: np.random.Generator) -> Ask:
    own = panel.rater == rater
    held = rng.permutation(np.flatnonzero(own & out)).astype(np.intp)
    if by == "item":
        return Ask(rater, np.flatnonzero(own & ~out).astype(np.intp), held[:AHEAD])
    most = TOLD[-1]
    return Ask(rater, held[:most], held[most : most + AHEAD])


def foretold(panel: Panel, fold: Fold, others: Floats | None) -> Iterator[tuple[str, Predictions]]:
    """Give what the methods foretell in one fold, by situation, a response of a rater at a time.

    Parameters
    ----------
    others : (B, 4, k, N) what B more methods foretell after 0 ... 3 own ratings, or None
    """
    models, rows = fits(panel, fold.kept), fold.kept
    table = Table(panel.X, panel.item, panel.item, panel.rater, panel.rater)
    fitted = [[each.fit(table, y, rows) for each in baselines(SEED)] for y in panel.Y.T]
    if fold.by == "rater":
        for ask in fold.asks:
            yield from _new_rater(panel, ask, models, fitted, others)
        return
    laws = [known_laws(model, panel, fold.asks) for model in models]
    for place, ask in enumerate(fold.asks):
        for response, each in enumerate(fitted):
            chosen = [law[place][response] for law in laws]
            more = None if others is None else others[:, 0, response]
            made = _made(panel, ask, ask.told, response, chosen, each, more)
            if made is not None:
                yield NEW_ITEMS, made


def fits(panel: Panel, rows: Bools) -> list[CrossedMixedModel]:
    """Fit the models that tell a law, in the order of `METHODS`.

    This model averages the tastes of a response with none, by how both foretell the raters of the fit left out: the option that
    `model.preference.model` uses, whose columns have an order besides. A panel's have none, so there is nothing in between.
    """
    rated = panel.X[rows], panel.Y[rows], panel.rater[rows], panel.item[rows]
    tastes, sets = panel.tastes[rows], (0, panel.tastes.shape[1])
    return [
        CrossedMixedModel().fit(*rated),
        CrossedMixedModel(interaction=True, slope_sets=sets).fit(*rated, tastes),
        CrossedMixedModel(interaction=True).fit(*rated, tastes),
        CrossedMixedModel(interaction=True, prior=beliefs(panel, rows)).fit(*rated, tastes),
    ]


def beliefs(panel: Panel, rows: Bools) -> Prior:
    """Return what the service believes before the first rating, put on the scale of some rows of a panel.

    The service's deviations keep their proportions to each other; together, the tastes apart, they make up the spread of the
    ratings. A slope's is by unit of a column: one category against another, or one deviation of a number. Nothing is believed
    of the coefficients.
    """
    spread = float(np.nanstd(panel.Y[rows], axis=0).mean())
    common = spread / float(np.sqrt(sum(sd**2 for sd in BELIEVED.values())))
    p, q = panel.X.shape[1], panel.tastes.shape[1]
    sds = {name: common * sd for name, sd in BELIEVED.items()}
    return Prior(np.zeros(p), np.full(p, np.inf), **sds, slope_sd=np.full(q, common * BELIEVED_TASTE))


def _new_rater(
    panel: Panel,
    ask: Ask,
    models: Sequence[CrossedMixedModel],
    fitted: Sequence[Sequence[Baseline]],
    others: Floats | None,
) -> Iterator[tuple[str, Predictions]]:
    for response, each in enumerate(fitted):
        joint = [new_law(of.responses_[response], panel, np.append(ask.told, ask.ahead)) for of in models]
        y = panel.Y[ask.told, response]
        for r in TOLD:
            given = np.where(np.arange(len(y)) < r, y, np.nan)
            laws = [conditioned(law, given) for law in joint]
            more = None if others is None else others[:, r, response]
            made = _made(panel, ask, ask.told[:r], response, laws, each, more)
            if made is not None:
                yield after(r), made


def new_law(fitted: RemlFit, panel: Panel, rows: Ints) -> Law:
    """Mean (n,) and covariance (n, n), noise included, of a new rater's ratings of some rows."""
    return new_player(fitted, panel.X[rows], panel.item[rows].tolist(), panel.tastes[rows])


def known_laws(model: CrossedMixedModel, panel: Panel, asks: Sequence[Ask]) -> list[list[Law]]:
    """Law of each ask's rows, new items of a rater of the fit, by response."""
    return [[known_law(fitted, panel, ask, c) for c, fitted in enumerate(model.responses_)] for ask in asks]


def known_law(fitted: RemlFit, panel: Panel, ask: Ask, response: int) -> Law:
    """Mean and covariance, noise included, of ratings of new items by a rater whose ratings in the fit are those told.

    Given coefficients and items' effects, the rater's own effects are regressed on the rater's ratings alone (Gaussian
    regression: Rasmussen & Williams 2006, appendix A.2); what the fit leaves open of coefficients and effects comes on top.
    """
    told = ask.told[np.isfinite(panel.Y[ask.told, response])]
    items, played = np.unique(panel.item[told], return_inverse=True)
    A = np.eye(len(items))[played]
    place = [fitted.copy_index[item] for item in items.tolist()]
    Z, new = (_own_columns(fitted, panel, rows) for rows in (told, ask.ahead))
    S = fitted.random_effects_covariance if fitted.slope_centre.size else np.array([[fitted.player_sd**2]])
    own = Z @ S @ Z.T + fitted.interaction_sd**2 * A @ A.T + fitted.residual_sd**2 * np.eye(len(told))
    weights = np.linalg.solve(own, Z @ S @ new.T).T
    left = panel.Y[told, response] - panel.X[told] @ fitted.coef - A @ fitted.copy_effect[place]
    on_coef = panel.X[ask.ahead] - weights @ (panel.X[told] - A @ fitted.copy_coupling[place])
    on_items = weights @ A
    cov = new @ S @ new.T - weights @ Z @ S @ new.T + on_coef @ fitted.coef_covariance @ on_coef.T
    cov += on_items @ copies_covariance(fitted, place) @ on_items.T
    apart = fitted.copy_sd**2 + fitted.interaction_sd**2 + fitted.residual_sd**2
    return panel.X[ask.ahead] @ fitted.coef + weights @ left, cov + apart * np.eye(len(ask.ahead))


def _own_columns(fitted: RemlFit, panel: Panel, rows: Ints) -> Floats:
    """Columns (n, Q) of a rater's own effects."""
    one = np.ones((len(rows), 1))
    return np.hstack([one, panel.tastes[rows] - fitted.slope_centre]) if fitted.slope_centre.size else one


def _made(
    panel: Panel,
    ask: Ask,
    told: Ints,
    response: int,
    laws: Sequence[Law],
    fitted: Sequence[Baseline],
    more: Floats | None,
) -> Predictions | None:
    """Put the methods' answers together; None where no rating is ahead."""
    rated = np.flatnonzero(np.isfinite(panel.Y[ask.ahead, response]))
    if not rated.size:
        return None
    ahead = ask.ahead[rated]
    means = [mean[rated] for mean, _ in laws] + [each.foretell(ahead, told) for each in fitted]
    copies = tuple(map(str, panel.item[ahead].tolist()))
    return Predictions(
        player=str(ask.rater),
        copy=copies,
        tier=("",) * len(copies),
        tried=np.isin(panel.item[ahead], panel.item[told]),
        value=panel.Y[ahead, response],
        mean=np.array(means + ([] if more is None else list(more[:, ahead]))),
        cov=np.array([cov[np.ix_(rated, rated)] for _, cov in laws]),
    )
