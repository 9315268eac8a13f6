"""Readings of the bench as rows of bench.csv."""

from collections.abc import Iterable, Iterator

from service.inventory.files.cells import written
from service.inventory.files.kinds import BENCH
from service.tables import QUANTITIES, BenchReading


def cells_of(readings: Iterable[BenchReading]) -> Iterator[list[str]]:
    """Yield the header and a row of cells for each reading, in the file's order."""
    yield list(BENCH.order)
    for each in sorted(readings, key=lambda row: (row.copy, row.on, row.quantity, row.method)):
        values = {"date": each.on, "unit": QUANTITIES[each.quantity]}
        yield [written(values.get(name, getattr(each, name, None))) for name in BENCH.order]
