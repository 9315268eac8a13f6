"""How much each of several ranked priorities weighs."""

from functools import cache

import numpy as np

from model.domain.arrays import Floats


@cache
def rank_order_weights(n: int) -> Floats:
    """Return the rank-order-centroid weights of n ranked criteria, most important first, (n,); they add up to 1, and are kept.

    w_i = (1 / n) sum over j = i .. n of 1 / j (Barron & Barrett 1996, Management Science 42: 1515).

    Raises
    ------
    ValueError : n below 1.
    """
    if n < 1:
        msg = f"n: got {n}, expected at least one criterion"
        raise ValueError(msg)
    weights = np.asarray(np.cumsum(1.0 / np.arange(n, 0, -1))[::-1] / n)
    weights.setflags(write=False)
    return weights
