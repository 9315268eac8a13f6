"""What the readings at the bench say of a stick or a bow, formula by formula. SI units in and out.

Each formula names its source and where it holds. All of them take the stick for straight and alike all along: taper and
camber are not modelled, nor is the tension of the hair.
"""

import math

GRAVITY = 9.80665
"""Standard acceleration of free fall, m/s^2 (3rd CGPM, 1901)."""
FREE_FREE_ROOT = 4.730040744862704
"""First root of cos x cosh x = 1: a free-free bar in bending (Blevins 1979, Formulas for Natural Frequency and Mode Shape)."""
FREE_FREE = FREE_FREE_ROOT**2 / (2.0 * math.pi)
"""3.5608: the first bending frequency of a free-free bar is this times sqrt(EI / (rho A)) / L^2."""
DECAY_60DB = math.log(1e6) / (2.0 * math.pi)
"""2.1988: loss factor times frequency times the time in which the level falls by 60 dB."""


def positive(value: float, name: str, expected: str) -> float:
    """Return a value that is finite and above 0; raises ``ValueError`` that names it and says what would be right."""
    if not (math.isfinite(value) and value > 0.0):
        msg = f"{name}: got {value!r}, expected {expected}"
        raise ValueError(msg)
    return float(value)


def speed_of_sound(length_m: float, frequency_hz: float) -> float:
    """Return the speed of sound along the stick in m/s, c = 2 L f.

    ``frequency_hz`` is the first longitudinal one of a stick free at both ends (Kinsler et al., Fundamentals of Acoustics).
    Holds for the stick without hair and frog: either adds mass and lowers the frequency.
    """
    length = positive(length_m, "length_m", "the stick's length in metres, such as 0.7")
    return (
        2.0 * length * positive(frequency_hz, "frequency_hz", "the first longitudinal frequency in hertz, such as 3500")
    )


def youngs_modulus(density_kg_m3: float, speed_m_s: float) -> float:
    """Return Young's modulus along the stick in Pa, E = rho c^2.

    Holds for waves much longer than the stick is thick (thin-rod limit; Kinsler et al.); ``density_kg_m3`` is the
    material's own, not that of a hollow stick's outline.
    """
    density = positive(
        density_kg_m3, "density_kg_m3", "the material's density in kilograms a cubic metre, such as 1000"
    )
    return density * positive(speed_m_s, "speed_m_s", "the speed of sound in metres a second, such as 5000") ** 2


def bending_stiffness(force_n: float, deflection_m: float, span_m: float) -> float:
    """Return the bending stiffness EI in N m^2 of a stick on two supports, loaded half-way: EI = F L^3 / (48 delta).

    Euler-Bernoulli beam (Young & Budynas, Roark's Formulas for Stress and Strain): holds for deflections small against the span
    and a span many times the diameter; what it gives for a tapered stick is a mean weighted towards the middle.
    """
    force = positive(force_n, "force_n", "the load in newtons, such as 10")
    deflection = positive(deflection_m, "deflection_m", "the deflection under the load in metres, such as 0.01")
    span = positive(span_m, "span_m", "the distance of the supports in metres, such as 0.6")
    return force * span**3 / (48.0 * deflection)


def rigidity_from_bending(frequency_hz: float, mass_per_length_kg_m: float, length_m: float) -> float:
    """Return EI in N m^2 from the first bending frequency of a free-free bar: f = 3.5608 sqrt(EI / (rho A)) / L^2.

    Euler-Bernoulli; the constant is the one of ASTM E1876's bars in the slender limit. At a diameter of a hundredth of the
    length, shear and rotary inertia make the true EI larger by about one part in two thousand. The stick without hair and frog.
    """
    frequency = positive(frequency_hz, "frequency_hz", "the first bending frequency in hertz, such as 60")
    mass = positive(mass_per_length_kg_m, "mass_per_length_kg_m", "kilograms a metre of stick, such as 0.06")
    length = positive(length_m, "length_m", "the stick's length in metres, such as 0.7")
    return mass * (frequency * length**2 / FREE_FREE) ** 2


def loss_factor(frequency_hz: float, decay_60db_s: float) -> float:
    """Return the loss factor eta = ln(10^6) / (2 pi f T60) of a mode whose level falls by 60 dB in ``decay_60db_s``.

    eta = 1/Q = decrement/pi for light damping (Cremer, Heckl & Petersson, Structure-Borne Sound). It holds for what was
    struck as it was held: hand, hair, frog and air lose too, so it is an upper bound for the material's.
    """
    frequency = positive(frequency_hz, "frequency_hz", "the mode's frequency in hertz, such as 60")
    decay = positive(decay_60db_s, "decay_60db_s", "the seconds in which the level falls by 60 dB, such as 4.4")
    return DECAY_60DB / (frequency * decay)


def loss_from_decrement(decrement: float) -> float:
    """Return the loss factor of a logarithmic decrement a cycle, eta = delta / pi (light damping, as in `loss_factor`)."""
    return positive(decrement, "decrement", "the logarithm of one amplitude over the next, such as 0.015") / math.pi


def swing_inertia(mass_kg: float, period_s: float, pivot_to_centre_m: float) -> float:
    """Return the moment of inertia about the pivot in kg m^2 of a bow that swings freely: I = m g d (T / 2 pi)^2.

    The physical pendulum at small angles (Goldstein, Classical Mechanics): a swing of 10 degrees to either side lengthens the
    period by one part in five hundred. Friction at the pivot and air are left out.
    """
    mass = positive(mass_kg, "mass_kg", "the bow's mass in kilograms, such as 0.06")
    period = positive(period_s, "period_s", "the time of one whole swing in seconds, such as 1.3")
    arm = positive(pivot_to_centre_m, "pivot_to_centre_m", "metres from the pivot to the balance point, such as 0.25")
    return mass * GRAVITY * arm * (period / (2.0 * math.pi)) ** 2


def inertia_at_centre(about_pivot_kg_m2: float, mass_kg: float, pivot_to_centre_m: float) -> float:
    """Return the moment of inertia about the balance point in kg m^2, I - m d^2 (parallel axes; Huygens and Steiner)."""
    about = positive(about_pivot_kg_m2, "about_pivot_kg_m2", "the inertia about the pivot, such as 0.0067")
    mass = positive(mass_kg, "mass_kg", "the bow's mass in kilograms, such as 0.06")
    arm = positive(pivot_to_centre_m, "pivot_to_centre_m", "metres from the pivot to the balance point, such as 0.25")
    if about <= mass * arm**2:
        msg = f"about_pivot_kg_m2: got {about!r}, expected more than {mass * arm**2:.4g}, what all mass at the balance point has"
        raise ValueError(msg)
    return about - mass * arm**2


def centre_of_percussion(about_pivot_kg_m2: float, mass_kg: float, pivot_to_centre_m: float) -> float:
    """Return metres from the pivot to the centre of percussion, I / (m d): a blow there is not felt at the pivot.

    Rigid body (Goldstein); also the length of the simple pendulum of the same period (Huygens).
    """
    inertia_at_centre(about_pivot_kg_m2, mass_kg, pivot_to_centre_m)  # refuses what no body can have
    return about_pivot_kg_m2 / (mass_kg * pivot_to_centre_m)


def _diameters(outer_m: float, inner_m: float) -> tuple[float, float]:
    outer = positive(outer_m, "outer_m", "the outer diameter in metres, such as 0.009")
    if not (math.isfinite(inner_m) and 0.0 <= inner_m < outer):
        msg = f"inner_m: got {inner_m!r}, expected the inner diameter in metres, 0 for a solid stick, below the outer {outer!r}"
        raise ValueError(msg)
    return outer, float(inner_m)


def tube_mass_per_length(outer_m: float, inner_m: float, density_kg_m3: float) -> float:
    """Return the mass of a round hollow stick in kg a metre, rho pi (D^2 - d^2) / 4; ``inner_m`` is 0 for a solid one."""
    density = positive(
        density_kg_m3, "density_kg_m3", "the material's density in kilograms a cubic metre, such as 1600"
    )
    return density * tube_section(outer_m, inner_m)


def tube_section(outer_m: float, inner_m: float) -> float:
    """Return the area of a round tube's wall in m^2, pi (D^2 - d^2) / 4."""
    outer, inner = _diameters(outer_m, inner_m)
    return math.pi * (outer**2 - inner**2) / 4.0


def tube_second_moment(outer_m: float, inner_m: float) -> float:
    """Return the second moment of area of a round tube in m^4, pi (D^4 - d^4) / 64 (Young & Budynas, Roark's Formulas)."""
    outer, inner = _diameters(outer_m, inner_m)
    return math.pi * (outer**4 - inner**4) / 64.0
