"""Draw the invented world and write it out: ``python -m seed_data.make [FOLDER] [--truth FILE]``.

The same seed gives the same bytes. ``--truth FILE`` writes what no real history could hold: every player's true
liking of every bow, on the player's own 1 to 7 scale, before noise and rounding, so that advice can be measured by
what it wins.
"""

import argparse
import csv
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from seed_data.bows import LAST_DAY, Bows, Repairs, draw_bows, draw_repairs
from seed_data.catalogue import CRITERIA, SEED, BoolArray, FloatArray
from seed_data.chronicle import Stock, World, run
from seed_data.liking import Points, draw_points
from seed_data.nature import DEMO, Nature
from seed_data.people import People, draw_people
from seed_data.tables import Row, all_tables, write


@dataclass(frozen=True)
class Drawn:
    """The drawn world: the files' rows, and the truth behind them.

    Attributes
    ----------
    tables : mapping of file name (without ending) to rows, in the files' order
    players, copies : tuple of str, lengths P and K: keys and serials, in the order of the arrays below
    liking : (P, K) true overall liking, 1 to 7, on the player's own instrument and use of the scale; NaN where
        instrument or hold do not fit
    own_liking : (P,) the same for the own bow
    liking_by_criterion : (P, K, 8), criteria in the order of `CRITERIA`, overall first
    own_liking_by_criterion : (P, 8)
    """

    tables: Mapping[str, list[Row]]
    players: tuple[str, ...]
    copies: tuple[str, ...]
    liking: FloatArray
    own_liking: FloatArray
    liking_by_criterion: FloatArray
    own_liking_by_criterion: FloatArray

    def true_liking(self, player: str) -> dict[str, float]:
        """Map serial to true overall liking of one player, over the copies that fit instrument and hold.

        Raises
        ------
        KeyError
            The player is not in the world.
        """
        row = self.liking[self._place(player)]
        return {serial: float(value) for serial, value in zip(self.copies, row, strict=True) if not np.isnan(value)}

    def true_own_liking(self, player: str) -> float:
        """Return one player's true overall liking of the own bow; raises KeyError as `true_liking` does."""
        return float(self.own_liking[self._place(player)])

    def _place(self, player: str) -> int:
        if player not in self.players:
            raise KeyError(f"got player {player!r}, expected a key such as {self.players[0]!r}")
        return self.players.index(player)


def draw(seed: int = SEED, nature: Nature = DEMO) -> Drawn:
    """Draw a whole world from one seed; every part has a stream of its own. `nature` says how it works."""
    streams = [np.random.default_rng(s) for s in np.random.SeedSequence(seed).spawn(6)]
    bows = draw_bows(streams[0], nature)
    repairs = draw_repairs(streams[1], bows)
    people = draw_people(streams[2], nature)
    world = World(people, bows, repairs, draw_points(streams[3], people, bows, nature), nature)
    trials, stock = run(streams[4], world)
    return _drawn(all_tables(streams[5], world, trials, stock), world, stock)


def _drawn(tables: Mapping[str, list[Row]], world: World, stock: Stock) -> Drawn:
    """Put the truth, as it stands on the last day, beside the tables."""
    final = _settled(world.points, world.repairs, stock)
    liking = np.where(_fits(world.people, world.bows)[:, :, None], world.people.on_scale(final), np.nan)
    own = world.people.on_scale(world.points.own)
    return Drawn(
        tables=tables,
        players=tuple(world.people.key),
        copies=tuple(world.bows.serial),
        liking=liking[:, :, 0],
        own_liking=own[:, 0],
        liking_by_criterion=liking,
        own_liking_by_criterion=own,
    )


def _settled(points: Points, repairs: Repairs, stock: Stock) -> FloatArray:
    """Points of every copy after all that was done to it while it was in the stock, shape (P, K, 8)."""
    done = (repairs.day <= LAST_DAY) & (repairs.day < stock.sold[repairs.copy])
    shift = np.bincount(repairs.copy, repairs.shift * done, minlength=points.copies.shape[1])
    settled: FloatArray = points.copies + shift[None, :, None]
    return settled


def _fits(people: People, bows: Bows) -> BoolArray:
    """Whether a copy is for the player's instrument and hold, shape (P, K)."""
    same_hold = np.array(people.hold)[:, None] == np.array(bows.hold)[None, :]
    fits: BoolArray = (people.instrument[:, None] == bows.instrument[None, :]) & same_hold
    return fits


def write_truth(path: Path, drawn: Drawn) -> None:
    """Write the true likings: nested JSON for a name ending in .json, else CSV with one row a player and bow."""
    rows = [
        (player, bow, np.round(values, 4).tolist())
        for i, player in enumerate(drawn.players)
        for bow, values in _bows_of(drawn, i)
    ]
    with path.open("w", encoding="utf-8", newline="") as out:
        if path.suffix == ".json":
            nested: dict[str, dict[str, dict[str, float]]] = {player: {} for player in drawn.players}
            for player, bow, values in rows:
                nested[player][bow] = dict(zip(CRITERIA, values, strict=True))
            json.dump(nested, out)
        else:
            writer = csv.writer(out, lineterminator="\n")
            writer.writerow(["player", "copy", *CRITERIA])
            writer.writerows([player, bow, *values] for player, bow, values in rows)


def _bows_of(drawn: Drawn, player: int) -> list[tuple[str, FloatArray]]:
    """List the own bow and every copy that fits, with the eight true likings of each."""
    fitting = np.flatnonzero(~np.isnan(drawn.liking[player]))
    copies = [(drawn.copies[k], drawn.liking_by_criterion[player, k]) for k in fitting]
    return [("own", drawn.own_liking_by_criterion[player]), *copies]


def main(arguments: list[str] | None = None) -> None:
    """Write the files, and the truth where asked for."""
    parser = argparse.ArgumentParser(prog="python -m seed_data.make", description="Draw the invented demo world.")
    parser.add_argument("folder", nargs="?", type=Path, default=Path(__file__).parent, help="where the CSV files go")
    parser.add_argument("--truth", type=Path, help="also write the true likings: .json, or CSV for any other ending")
    options = parser.parse_args(arguments)
    drawn = draw()
    write(options.folder, drawn.tables)
    if options.truth:
        write_truth(options.truth, drawn)


if __name__ == "__main__":
    main()
