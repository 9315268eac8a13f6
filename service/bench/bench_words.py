"""What the bench's pages say: of readings, of what follows from them, of a bow's parts."""

import math
from collections.abc import Iterator, Mapping

from model import bench
from service.bench import records
from service.bench.quantities import AMPLITUDES, GROUPS
from service.bench.records import BenchRecord
from service.core import formats
from service.core.language import N_, _, ngettext
from service.tables import BenchReading
from service.trials import desk_words
from service.web.desk_forms import Fact

DERIVED: Mapping[str, tuple[str, str, float, str]] = {
    "speed_of_sound_m_s": (N_("Speed of sound along the stick"), "m/s", 1.0, "c = 2 L f"),
    "mass_per_length_kg_m": (N_("Mass per length"), "g/m", 1e3, "m / L"),
    "density_kg_m3": (N_("Density"), "kg/l", 1e-3, "ρ = 4 m / (π (D² − d²) L)"),
    "youngs_modulus_pa": (N_("Young’s modulus"), "GPa", 1e-9, "E = ρ c²"),
    "stiffness_n_per_m": (N_("Stiffness"), "N/m", 1.0, "F / δ"),
    "bending_stiffness_n_m2": (N_("Bending stiffness, by the load"), "N m²", 1.0, "EI = F L³ / (48 δ)"),
    "rigidity_n_m2": (N_("Bending stiffness, by the frequency"), "N m²", 1.0, "f = 3.5608 √(EI / (m/L)) / L²"),
    "bending_modulus_pa": (N_("Young’s modulus, by the bending frequency"), "GPa", 1e-9, "E = 64 EI / (π (D⁴ − d⁴))"),
    "loss_factor": (N_("Loss factor"), "1", 1.0, "η = 2.1988 / (f T₆₀)"),
    "quality_factor": (N_("Quality factor Q"), "1", 1.0, "Q = 1 / η"),
    "inertia_at_balance_kg_m2": (N_("Moment of inertia about the balance point"), "g m²", 1e3, "I − m d²"),
    "swing_inertia_kg_m2": (N_("Moment of inertia about the hand"), "g m²", 1e3, "I = m g d (T / 2π)²"),
    "percussion_m": (N_("Centre of percussion, from the hand"), "mm", 1e3, "I / (m d)"),
}
"""Of each value that follows: its name, its unit as shown, how many of that unit one of SI's is, and its formula."""
FINEST = 1e-4
"""No finer share of a value is told of a recording, however quiet it was: the clock of a recorder is not known better (a judgement)."""
RECORDED_SECONDS = 20
"""After so long a recording in the page stops by itself."""
PARTS: Mapping[str, str] = {"head": N_("head"), "stick": N_("stick"), "frog": N_("frog"), "hair": N_("hair")}
_FIELDS: Mapping[str, str] = {AMPLITUDES: N_("Successive amplitudes, cycle by cycle")}


def label(name: str) -> str:
    """Name a field of the screen."""
    return _(_FIELDS[name]) if name in _FIELDS else _(desk_words.QUANTITIES[name])


def unit(name: str) -> str:
    """Return a field's unit, empty where it has none."""
    found = desk_words.UNITS.get(name, "1")
    return "" if found == "1" else found


def groups() -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Return the groups of fields with their names."""
    return tuple((_(name), fields) for name, fields in GROUPS.items())


def tool(reading: BenchReading) -> str:
    """Return what a reading was taken with."""
    return records.tool(reading)


def value(reading: BenchReading) -> str:
    """Return a reading as it was taken, with its unit."""
    places = next(each for each in range(8) if each == 7 or round(reading.value, each) == reading.value)
    return _with_unit(formats.number(reading.value, places), unit(reading.quantity))


def last(record: BenchRecord, name: str) -> str:
    """Say what was read of a quantity last: '60.2 g, 3 May 2026, scale'; empty for nothing."""
    found = record.newest.get("log_decrement" if name == AMPLITUDES else name)
    if found is None:
        return ""
    return ", ".join(filter(None, (value(found), formats.day(found.on), tool(found))))


def with_uncertainty(measured: bench.readings.Measured, shown_in: str = "", scale: float = 1.0) -> str:
    """Return a value with its standard uncertainty, that to two digits: '5,012 ± 9 m/s'."""
    middle, sd = measured.value * scale, measured.sd * scale
    if sd <= 0.0:
        return _with_unit(formats.number(middle, 3), shown_in)
    places = min(max(0, 1 - math.floor(math.log10(sd))), 7)
    both = f"{formats.number(middle, places)}{formats.NBSP}±{formats.NBSP}{formats.number(sd, places)}"
    return _with_unit(both, "" if shown_in == "1" else shown_in)


def _with_unit(text: str, unit: str) -> str:
    return f"{text}{formats.NBSP}{unit}" if unit else text


def derived(record: BenchRecord) -> Iterator[tuple[str, str, str]]:
    """Yield what follows from the readings: name, value with uncertainty, formula."""
    for name, (label_, unit_, scale, formula) in DERIVED.items():
        if name in record.derived.values:
            yield _(label_), with_uncertainty(record.derived.values[name], unit_, scale), formula


def refused(record: BenchRecord) -> str:
    """Say which values do not follow since the readings contradict each other; empty for none."""
    names = [_(DERIVED[name][0]) for name in DERIVED if name in record.derived.refused]
    if not names:
        return ""
    sentence = _("Some readings contradict each other, so there is no value for: {names}. Look at them once more.")
    return sentence.format(names=formats.listed(names))


def repeatability(record: BenchRecord) -> Iterator[Fact]:
    """Yield how well readings of each quantity repeat."""
    for name, each in record.repeats.items():
        said = _with_unit(formats.number(each.sd, max(0, 1 - math.floor(math.log10(each.sd)))), unit(name))
        repeats = ngettext("from {count} repeat", "from {count} repeats", each.degrees)
        yield label(name), f"{said}, {repeats.format(count=each.degrees)}"


def parts(bow: bench.mass_model.Bow) -> tuple[Fact, ...]:
    """Return what the four parts weigh, and what they make together."""
    found = [(formats.capital(_(PARTS[name])), formats.grams(part.mass_kg * 1e3)) for name, part in bow.parts()]
    return (
        *found,
        (_("Balance point"), formats.millimetres(bow.balance_m * 1e3)),
        (_("Moment of inertia about the balance point"), _inertia(bow.inertia_kg_m2)),
        (_("Moment of inertia about the hand"), _inertia(bow.inertia_about(0.0))),
    )


def both(bow: bench.mass_model.Bow, other: bench.mass_model.Bow) -> Iterator[tuple[str, str, str]]:
    """Yield what two bows' parts weigh and make: name, the one's, the other's."""
    for (name, own), (_name, theirs) in zip(parts(bow), parts(other), strict=True):
        yield name, own, theirs


def _inertia(value: float) -> str:
    return f"{formats.number(value * 1e3, 2)}{formats.NBSP}g{formats.NBSP}m²"


def a_gram_forward(bow: bench.mass_model.Bow) -> str:
    """Say what moving a gram from the frog to the head does; empty where the frog has none to give."""
    if bow.frog.mass_kg < 1e-3:
        return ""
    shift = bow.moved(1e-3, "frog", "head").against(bow)
    sentence = _(
        "A gram moved from the frog to the head leaves the mass as it is, puts the balance point {balance} further forward and "
        "makes the inertia about the hand {inertia} larger, {percent} of what it is."
    )
    return sentence.format(
        balance=formats.millimetres(shift.balance_m * 1e3),
        inertia=_inertia(shift.inertia_at_hand_kg_m2),
        percent=formats.percent(shift.inertia_at_hand_kg_m2 / bow.inertia_about(0.0)),
    )


def against(bow: bench.mass_model.Bow, name: str, other: bench.mass_model.Bow, other_name: str) -> str:
    """Say how two bows differ, the first against the second."""
    shift = bow.against(other)
    sentence = _(
        "{name} against {other}: {mass} in mass, {balance} in balance point, {inertia} in inertia about the hand."
    )
    return sentence.format(
        name=name,
        other=other_name,
        mass=_signed(shift.mass_kg * 1e3, "g", 1),
        balance=_signed(shift.balance_m * 1e3, "mm", 0),
        inertia=_signed(shift.inertia_at_hand_kg_m2 * 1e3, f"g{formats.NBSP}m²", 2),
    )


def _signed(value: float, unit: str, places: int) -> str:
    sign = "−" if round(value, places) < 0 else "+" if round(value, places) > 0 else "±"
    return f"{sign}{formats.number(abs(value), places)}{formats.NBSP}{unit}"


def recorder() -> tuple[Fact, ...]:
    """Return what the page says while a blow is recorded in it."""
    runs = _(
        "Listening. Strike the stick once, wait until nothing is heard any more, then stop; it stops by itself after {seconds} "
        "seconds."
    )
    return (
        ("asks", _("The browser asks whether this page may listen.")),
        ("runs", runs.format(seconds=RECORDED_SECONDS)),
        ("done", _("Recorded. It is being fitted.")),
        (
            "denied",
            _("The browser does not let this page listen. Allow it in the browser’s settings, or choose a file."),
        ),
        ("none", _("No microphone can be reached. Connect one, or choose a file.")),
    )


def fitted(fit: bench.DecayFit) -> tuple[Fact, ...]:
    """Return what a recording says, each with its uncertainty."""

    def measured(value: float, sd: float) -> bench.readings.Measured:
        return bench.readings.Measured(value, max(sd, FINEST * value))

    return (
        (_("Frequency"), with_uncertainty(measured(fit.frequency_hz, fit.frequency_hz_sd), "Hz")),
        (_("Time to fall by 60 dB"), with_uncertainty(measured(fit.decay_60db_s, fit.decay_60db_s_sd), "s")),
        (_("Loss factor"), with_uncertainty(measured(fit.loss_factor, fit.loss_factor_sd))),
        (_("Quality factor Q"), with_uncertainty(measured(fit.quality_factor, fit.quality_factor_sd))),
        (_("Left unexplained around the tone"), formats.percent(fit.residual_share)),
        (_("Fitted stretch"), f"{formats.number(fit.window_s, 2)}{formats.NBSP}s"),
    )
