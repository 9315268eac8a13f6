"""What exactly these bows by name promise to a player: the desk composes a case by hand."""

from collections.abc import Sequence

import numpy as np

from model.preference import LIKING, Player
from model.trial import case as cases
from model.trial.case import CaseValue
from model.trial.law import of_copies


def of_named(player: Player, serials: Sequence[str]) -> CaseValue:
    """Return chance and gain of a trial of exactly these bows; no bows: nothing.

    Raises
    ------
    ValueError : a serial that does not suit the player, or the same one twice.
    """
    if not serials:
        return CaseValue(0, 0.0, 0.0)
    law = of_copies(player, LIKING, sorted(serials))
    # The most promising first, so that the order in which they are named makes no difference.
    path = np.argsort(-law.mean[1:], kind="stable").tolist()
    return CaseValue(
        len(serials), float(cases.win_probabilities(law, path)[-1]), float(cases.expected_gains(law, path)[-1])
    )
