"""The order of a blind trial: letters that tell nothing, what is played after what, the own bow, and the hidden repeat.

The copies are played in the order of a row of a Williams square, in which every bow is played after every other one equally
often; the rows are taken in turn from trial to trial. The own bow is played unrated to warm up (no slot of the order), rated once
inside the order, at a place that goes round as the rows do, and rated again at the end: the difference is the drift.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from model.domain.arrays import Ints

LETTERS = "ABCDEFGHKLMNPRSTUWXYZ"
"""Capital letters without I and J (like 1 and each other), O and Q (like 0 and each other), and V (like U by hand)."""
MOST_OWN_PLAYS = 2
APART = 2
"""No bow is played twice in a row: its plays are at least so many slots apart."""
REPEAT_CYCLE, REPEAT_STEP = 11, 3


@dataclass(frozen=True, slots=True)
class Slot:
    """One bow to be played and rated.

    Attributes
    ----------
    position : 1, 2, ... in the order of playing.
    letter : what the player is told; empty for the own bow, which no player mistakes.
    bow : index 0 ... n - 1 of the copy; None: the own bow.
    """

    position: int
    letter: str
    bow: int | None

    @property
    def own(self) -> bool:
        """Whether it is the player's own bow."""
        return self.bow is None


@dataclass(frozen=True, slots=True)
class Order:
    """What is played in one trial.

    Attributes
    ----------
    slots : in the order of playing.
    repeat_of : letter of the first play of the bow that is played again unannounced; None without a repeat.
    repeated_as : letter under which it is played again; None without a repeat.
    """

    slots: tuple[Slot, ...]
    repeat_of: str | None = None
    repeated_as: str | None = None


def williams(n: int) -> Ints:
    """Return the Williams square of n treatments: (n, n) for even n, the pair of squares (2n, n) for odd n.

    Every treatment is once in each row and equally often in each column, and follows every other one equally often: once over
    the rows of an even square, twice over those of the odd pair. The first row is 0, 1, n - 1, 2, n - 2, ..., the others add
    1, 2, ... modulo n; the second square of a pair has the rows reversed (Williams 1949, Aust. J. Sci. Res. A 2: 149).

    Raises
    ------
    ValueError : n below 1.
    """
    if n < 1:
        msg = f"n: got {n}, expected at least one bow"
        raise ValueError(msg)
    step = np.arange(n)
    first = np.where(step % 2 == 1, (step + 1) // 2, -(step // 2))
    square = (first + np.arange(n)[:, None]) % n
    return square if n % 2 == 0 else np.vstack([square, square[:, ::-1]])


def needs_repeat(number: int) -> bool:
    """Say whether a dealer's trial with this running number, 0, 1, ..., has a hidden repeat: any three in a row have one.

    The numbers are 0, 3, 6, 9, 11, 14, ...: eleven has no factor in common with the number of rows of a square of up to ten
    bows, so that over the trials every row of a square gets its repeats.

    Raises
    ------
    ValueError : a negative number.
    """
    _check_count(number, "number")
    return number % REPEAT_CYCLE % REPEAT_STEP == 0


def order(n: int, seed: int, repeat: bool = False, rotation: int = 0, own_plays: int = MOST_OWN_PLAYS) -> Order:
    """Draw the letters of a trial and say what is played when.

    Parameters
    ----------
    n : number of copies, 1 or more.
    seed : 0 or more; decides the letters and the hidden repeat. The same arguments give the same order.
    repeat : whether one copy is played again under another letter, never next to its first play.
    rotation : running number of the dealer's trials, 0 or more; takes the rows of the square, and the own bow's place, in turn.
    own_plays : how often the own bow is rated: 2 inside the order and at the end, 1 inside only, 0 for a player without one.

    Raises
    ------
    ValueError
        An argument is out of range, there are more bows than letters, or a repeat has no place apart from the first play.
    """
    _check(n, seed, rotation, own_plays, repeat)
    rng = np.random.default_rng(seed)
    bows = _with_own(williams(n), rotation, own_plays, repeat)
    again = None
    if repeat:
        bow, again = _repeat(bows, rng)
        bows.insert(again, bow)
    if own_plays == MOST_OWN_PLAYS:
        bows.append(None)
    return _lettered(bows, again, rng)


def _with_own(square: Ints, rotation: int, own_plays: int, repeat: bool) -> list[int | None]:
    """Return the copies of one row of the square, the own bow among them.

    The places go round with the rows, and shift by one after all rows: each place comes with each row, so the own bow parts
    every two copies equally often.
    """
    turn, row = divmod(rotation, len(square))
    bows: list[int | None] = [int(bow) for bow in square[row]]
    if own_plays:
        places = _places(len(bows), own_plays, repeat)
        bows.insert(places[(row + turn) % len(places)], None)
    return bows


def _places(n: int, own_plays: int, repeat: bool) -> Sequence[int]:
    """Return where the own bow may stand among n copies: between two of them, so that it is never played twice in a row."""
    if n > 1:
        return range(1, n)
    if repeat:
        return [1]
    return [0] if own_plays == MOST_OWN_PLAYS else [0, 1]


def _repeat(bows: Sequence[int | None], rng: np.random.Generator) -> tuple[int, int]:
    """Draw the copy that is played again, and the slot (from 0) before which its second play is put."""
    places = {bow: range(at + APART, len(bows) + 1) for at, bow in enumerate(bows) if bow is not None}
    able = [bow for bow, free in places.items() if free]
    bow = able[int(rng.integers(len(able)))]
    return bow, int(rng.choice(places[bow]))


def _lettered(bows: Sequence[int | None], again: int | None, rng: np.random.Generator) -> Order:
    """Draw a letter for every slot but the own bow's; ``again`` is the slot (from 0) of the hidden repeat."""
    drawn = rng.permutation(list(LETTERS)).tolist()
    letters = ["" if bow is None else drawn[at] for at, bow in enumerate(bows)]
    slots = tuple(Slot(at + 1, letter, bow) for at, (letter, bow) in enumerate(zip(letters, bows, strict=True)))
    if again is None:
        return Order(slots)
    return Order(slots, letters[list(bows).index(bows[again])], letters[again])


def _check_count(value: int, where: str) -> None:
    if value < 0:
        msg = f"{where}: got {value}, expected 0 or more"
        raise ValueError(msg)


def _check(n: int, seed: int, rotation: int, own_plays: int, repeat: bool) -> None:
    most = len(LETTERS) - MOST_OWN_PLAYS - 1
    if not 1 <= n <= most:
        msg = f"n: got {n} bows, expected 1 to {most}"
        raise ValueError(msg)
    _check_count(seed, "seed")
    _check_count(rotation, "rotation")
    if not 0 <= own_plays <= MOST_OWN_PLAYS:
        msg = f"own_plays: got {own_plays}, expected 0, 1 or 2"
        raise ValueError(msg)
    if repeat and n == 1 and not own_plays:
        msg = "repeat: got one bow alone, expected another one to play between its two plays"
        raise ValueError(msg)
