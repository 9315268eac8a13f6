"""The sheets of a trial: which criteria were asked, how the points became marks, and the listener's rows."""

from dataclasses import dataclass

import numpy as np

from seed_data.catalogue import CRITERIA, INSTRUMENTS, LEADING, FloatArray, IntArray
from seed_data.people import People

CANNOT_TELL = "?"
NOTES = (
    "speaks at once on the low string",
    "hisses when played softly",
    "sits quietly in long strokes",
    "a little nervous in the middle",
    "heavy at the tip",
    "would like to try it again tomorrow",
    "warm, but slow to start",
    "hand gets tired",
)


@dataclass(frozen=True)
class Sheet:
    """One row of marks: position from 1, who rated, criterion -> mark or `?`; criteria not asked are absent."""

    position: int
    rater: str
    marks: dict[str, str]
    note: str


def mark(rng: np.random.Generator, people: People, player: int, felt: FloatArray, *, in_shop: bool) -> list[Sheet]:
    """All sheets of a trial in the order of position and rater, from what was felt (runs, 8)."""
    asked = _asked(rng, people, player)
    scaled = people.on_scale(felt, player)
    unsure = _unsure(rng, people, player, felt)
    sheets = [_player_sheet(rng, r + 1, scaled[r], unsure[r], asked) for r in range(felt.shape[0])]
    if in_shop and rng.random() < 0.06:
        sheets += _listener_sheets(rng, felt)
    return sorted(sheets, key=lambda sheet: (sheet.position, sheet.rater))


def _asked(rng: np.random.Generator, people: People, player: int) -> list[str]:
    """Criteria on the sheet: mostly those that lead and the player's own; a short sheet or the whole one at times."""
    leading = LEADING[INSTRUMENTS[people.instrument[player]]]
    kind = rng.random()
    if kind < 0.15:
        return list(leading[:2])
    if kind < 0.30:
        return list(CRITERIA[1:])
    return [c for c in CRITERIA[1:] if c in leading or c in people.priorities[player]]


def _unsure(rng: np.random.Generator, people: People, player: int, felt: FloatArray) -> FloatArray:
    """Chance, then fact, of 'cannot tell': likelier with a wavering hand and with a bow that is not liked."""
    chance: FloatArray = 0.02 + 0.05 * (people.noise[player] > 0.9) + 0.04 * (felt < 3.8)
    chance[:, 4:6] += 0.03
    return (rng.random(felt.shape) < chance).astype(np.float64)


def _player_sheet(
    rng: np.random.Generator, position: int, scaled: FloatArray, unsure: FloatArray, asked: list[str]
) -> Sheet:
    """Whole marks for the overall liking and for what was asked."""
    marks = {"overall": str(int(np.rint(scaled[0])))}
    for name in asked:
        j = CRITERIA.index(name)
        marks[name] = CANNOT_TELL if unsure[j] else str(int(np.rint(scaled[j])))
    note = str(rng.choice(NOTES)) if rng.random() < 0.04 else ""
    return Sheet(position, "player", marks, note)


def _listener_sheets(rng: np.random.Generator, felt: FloatArray) -> list[Sheet]:
    """Two or three runs heard from across the room by somebody with an opinion of their own."""
    runs = np.sort(rng.choice(felt.shape[0], min(3, felt.shape[0]), replace=False))
    own_mind = rng.normal(0.0, 0.7, (runs.size, 4))
    heard = 4.5 + 0.5 * (felt[runs][:, [0, 2, 3, 7]] - 4.5) + own_mind
    whole = np.clip(np.rint(heard), 1, 7).astype(np.int64)
    return [
        Sheet(int(r) + 1, "listener", _heard(whole[n]), "from the back of the room" if n == 0 else "")
        for n, r in enumerate(runs)
    ]


def _heard(whole: IntArray) -> dict[str, str]:
    """Write the marks of a listener; carrying stands on the dynamic range."""
    return {"overall": str(whole[0]), "clarity": str(whole[1]), "carrying": str(whole[2]), "tone": str(whole[3])}
