"""What a file's reading is held against: it cannot be asked about, and what was once kept has to come back, so it is named where it is odd."""

from service.bench.quantities import LIMITS, OTHER_UNITS
from service.tables import QUANTITIES


def unusual(quantity: str, value: object) -> str | None:
    """Return what is usual where a value is not, None where it is."""
    limits = LIMITS[quantity]
    if not isinstance(value, float) or limits.low <= value <= limits.high:
        return None
    return f"usual is from {limits.low:g} to {limits.high:g}{_unit(quantity)}{_in_another_unit(quantity, value)}"


def _unit(quantity: str) -> str:
    unit = QUANTITIES[quantity]
    return "" if unit == "1" else f" {unit}"


def _in_another_unit(quantity: str, value: float) -> str:
    limits = LIMITS[quantity]
    for factor, unit in OTHER_UNITS.get(QUANTITIES[quantity], ()):
        if limits.low <= value * factor <= limits.high:
            return f"; read in {unit}, it is {value * factor:.4g}{_unit(quantity)}"
    return ""
