"""The bench's formulas against published constants and examples. SI units."""

import math

import numpy as np
import pytest
from scipy import linalg, optimize

from model import bench
from model.bench import physics


def test_the_root_of_a_free_free_bar_solves_its_equation() -> None:
    # Fletcher & Rossing, The Physics of Musical Instruments, Table 2.2; Blevins 1979: 4.7300, 7.8532, 10.9956, 14.1372.
    roots = [
        optimize.brentq(
            lambda x: math.cos(x) - 1.0 / math.cosh(x), (n + 0.5) * math.pi - 0.3, (n + 0.5) * math.pi + 0.3
        )
        for n in (1, 2, 3, 4)
    ]
    assert roots == pytest.approx([4.730040745, 7.853204624, 10.995607838, 14.137165491], abs=5e-9)
    assert roots[0] == pytest.approx(physics.FREE_FREE_ROOT, abs=1e-12)
    # Ratios to the first of the frequencies of a free-free bar: 2.756539, 5.403918, 8.932950 (the same table).
    assert [(root / roots[0]) ** 2 for root in roots[1:]] == pytest.approx([2.756539, 5.403918, 8.932950], abs=1e-6)
    # (pi / 8) 3.0112^2, as Fletcher & Rossing write it, is (beta L)^2 / (2 pi); never pi / 8 with (beta L)^2.
    assert pytest.approx(math.pi / 8.0 * 3.011237**2, rel=1e-6) == physics.FREE_FREE


@pytest.mark.parametrize(("d", "second_moment"), [(0.008, 201.0619), (0.010, 490.8739)])
def test_a_rods_modulus_from_bending_has_the_constant_of_astm_e1876(d: float, second_moment: float) -> None:
    # ASTM E1876: E = 1.6067 (L^3 / D^4) m f^2 for a slender rod; the exact constant is 256 pi / 4.73004^4 = 1.6066834.
    length, mass, frequency = 0.7, 0.036, 55.0
    rigidity = physics.rigidity_from_bending(frequency, mass / length, length)
    moment = physics.tube_second_moment(d, 0.0)
    assert moment * 1e12 == pytest.approx(second_moment, abs=1e-4)
    by_standard = 1.6067 * length**3 / d**4 * mass * frequency**2
    assert rigidity / moment == pytest.approx(by_standard, rel=2e-5)
    assert rigidity / moment == pytest.approx(by_standard / 1.6067 * 1.6066834, rel=1e-7)


def test_a_bars_modulus_from_bending_has_the_constant_of_astm_e1876() -> None:
    # ASTM E1876: E = 0.9465 (m f^2 / b) (L / t)^3; the exact constant is 48 pi^2 / 4.73004^4 = 0.9464147.
    length, width, thick, mass, frequency = 0.15, 0.02, 0.003, 0.07, 680.0
    rigidity = physics.rigidity_from_bending(frequency, mass / length, length)
    modulus = rigidity / (width * thick**3 / 12.0)
    assert modulus == pytest.approx(0.9464147 * mass * frequency**2 / width * (length / thick) ** 3, rel=1e-7)


def first_bending_hz(rigidity: float, mass_per_length: float, length: float, gyration: float, shear: float) -> float:
    """Return a free-free Timoshenko beam's first frequency; ``shear``: kappa G A, ``gyration``: the section's radius of gyration.

    Cowper 1966 (J. Appl. Mech. 33:335): deflection, rotation, moment and shear force carried from end to end, none of the last
    two at either.
    """

    def unbalanced(hz: float) -> float:
        inertia = mass_per_length * (2.0 * math.pi * hz) ** 2
        carried = [
            [0, 1, 0, 1 / shear],
            [0, 0, 1 / rigidity, 0],
            [0, -inertia * gyration**2, 0, -1],
            [-inertia, 0, 0, 0],
        ]
        return float(np.linalg.det(linalg.expm(np.array(carried) * length)[2:, :2]))

    slender = 4.730040745**2 / (2.0 * math.pi) * math.sqrt(rigidity / mass_per_length) / length**2
    return float(optimize.brentq(unbalanced, 0.7 * slender, slender))


def test_a_steel_bar_worked_through_by_astm_e1876_has_its_modulus_and_a_stick_needs_no_correction() -> None:
    # A bar of 100 x 20 x 5 mm, E 210 GPa, 7850 kg/m^3, nu .3, its frequency by a beam that shears (kappa of Cowper): the standard's
    # T1 = 1.017966 at t/L = .05, nu = .3, on the slender value gives E back.
    length, width, thick, modulus, density, nu = 0.1, 0.02, 0.005, 210e9, 7850.0, 0.3
    area, moment = width * thick, width * thick**3 / 12.0
    shear = 10.0 * (1.0 + nu) / (12.0 + 11.0 * nu) * modulus / (2.0 * (1.0 + nu)) * area
    f = first_bending_hz(modulus * moment, density * area, length, thick / math.sqrt(12.0), shear)
    assert f == pytest.approx(2634.0, abs=2.0)
    slender = physics.rigidity_from_bending(f, density * area, length) / moment
    assert slender * 1.017966 == pytest.approx(modulus, rel=3e-4)
    mass = density * area * length
    assert 0.9465 * mass * f**2 / width * (length / thick) ** 3 * 1.017966 == pytest.approx(modulus, rel=4e-4)
    # A stick of 8 x 800 mm: what is left out is one part in two thousand.
    area, moment = math.pi * 0.008**2 / 4.0, math.pi * 0.008**4 / 64.0
    shear = 6.0 * (1.0 + nu) / (7.0 + 6.0 * nu) * 22e9 / (2.0 * (1.0 + nu)) * area
    f = first_bending_hz(22e9 * moment, 1000.0 * area, 0.8, 0.002, shear)
    assert 4e-4 < 22e9 * moment / physics.rigidity_from_bending(f, 1000.0 * area, 0.8) - 1.0 < 7e-4


def test_published_free_free_bars_have_their_published_modulus() -> None:
    # A tube of aluminium as worked through with the formula of the encyclopaedia's page on wind chimes,
    # f = 22.3733 / (4 pi L^2) sqrt(E / (2 rho)) sqrt(D^2 + W^2): E 68 GPa, 2700 kg/m^3, mean diameter D 12.7 mm, wall W 1.65 mm, and
    # 523.25 Hz at 393.24 mm (Mathematics Stack Exchange, 'Resonance acoustics equations').
    length, outer, inner = 0.39324, (12.7 + 1.65) * 1e-3, (12.7 - 1.65) * 1e-3
    rigidity = physics.rigidity_from_bending(523.25, bench.tube_mass_per_length(outer, inner, 2700.0), length)
    assert rigidity / physics.tube_second_moment(outer, inner) == pytest.approx(68e9, rel=1e-4)
    # A bar of hot rolled mild steel as it was measured, the example of an open package for resonance and damping (pyRDFA): 114.36 x
    # 25.44 x 3.12 mm, 71.3 g, 1281 Hz, 'around 200 GPa'; the scale on a rolled bar leaves its thickness uncertain, which enters cubed.
    length, width, thick, mass, hz = 0.11436, 0.02544, 0.00312, 0.0713, 1281.0
    modulus = physics.rigidity_from_bending(hz, mass / length, length) / (width * thick**3 / 12.0)
    by_standard = 0.9465 * mass * hz**2 / width * (length / thick) ** 3 * 1.005363  # ASTM E1876, T1 at nu = .3
    assert modulus * 1.005363 == pytest.approx(by_standard, rel=2e-4)
    assert modulus == pytest.approx(200e9, rel=0.08)


def test_published_rods_have_their_speed_of_sound_and_modulus() -> None:
    # A solved textbook example: 50 mm, 7250 kg/m^3, 115 GPa ring at 39.83 kHz (FOSSEE Scilab textbook companions, 1952, example 1.5).
    speed = bench.speed_of_sound(0.05, 39_830.0)
    assert bench.youngs_modulus(7250.0, speed) == pytest.approx(115e9, rel=1e-3)
    # A rod of copper as measured in a laboratory course: 202 cm, 12.05 mm, 2038 g, its first six longitudinal tones; handbooks have
    # 110 to 130 GPa for copper, and an even rod's tones are whole multiples of the first.
    tones = [943.0, 1893.0, 2836.0, 3779.0, 4723.0, 5672.0]
    speeds = [bench.speed_of_sound(2.02, hz / number) for number, hz in enumerate(tones, 1)]
    assert speeds == pytest.approx([np.mean(speeds)] * 6, rel=3e-3)
    density = 2.038 / 2.02 / bench.tube_mass_per_length(0.01205, 0.0, 1.0)
    assert density == pytest.approx(8850.0, rel=0.01)
    assert 110e9 < bench.youngs_modulus(density, float(np.mean(speeds))) < 130e9


def test_a_tubes_second_moment() -> None:
    # pi (D^4 - d^4) / 64: 10/6 mm 427.2566, 12/8 mm 816.8141 mm^4.
    assert physics.tube_second_moment(0.010, 0.006) * 1e12 == pytest.approx(427.2566, abs=1e-4)
    assert physics.tube_second_moment(0.012, 0.008) * 1e12 == pytest.approx(816.8141, abs=1e-4)


def test_three_point_deflection() -> None:
    # F = 10 N, L = 0.6 m, E = 22 GPa, D = 8 mm: 10.17326 mm, 982.969 N/m.
    rigidity = bench.bending_stiffness(10.0, 10.17325631e-3, 0.6)
    assert rigidity == pytest.approx(22e9 * 201.0619298e-12, rel=1e-8)
    assert pytest.approx(982.969, abs=1e-3) == 10.0 / 10.17325631e-3


def test_speed_of_sound_and_youngs_modulus() -> None:
    # 1060 kg/m^3 and 4750 m/s: 23.91625 GPa; common practice: a wooden stick near 5000 m/s and 1.0 kg/l, about 25 GPa.
    assert bench.youngs_modulus(1060.0, 4750.0) == pytest.approx(23.91625e9)
    assert bench.youngs_modulus(1000.0, bench.speed_of_sound(0.7, 5000.0 / 1.4)) == pytest.approx(25e9)
    # Common practice: a low-resin carbon laminate near 7300 m/s is almost half as fast again as wood.
    assert 1.4 < 7300.0 / bench.speed_of_sound(0.7, 5000.0 / 1.4) < 1.5


def test_loss_factor_decay_and_decrement_agree() -> None:
    # ln(10^6) / (2 pi) = 2.198806797; eta .005 at 100 Hz: T60 4.397614 s, Q 200, decrement .01570796.
    assert bench.loss_factor(1.0, 1.0) == pytest.approx(2.198806797, abs=1e-9)
    assert bench.loss_factor(100.0, 4.39761359) == pytest.approx(0.005, rel=1e-8)
    assert physics.loss_from_decrement(0.01570796) == pytest.approx(0.005, rel=1e-6)


def test_a_uniform_rod_swings_as_it_must() -> None:
    # 60 g, 730 mm hung at its end, g 9.80665: I .010658 about the end and .0026645 about the middle, T 1.399701 s, percussion 486.667 mm.
    about = bench.swing_inertia(0.060, 1.399701188, 0.365)
    assert about == pytest.approx(0.010658, rel=1e-8)
    assert physics.inertia_at_centre(about, 0.060, 0.365) == pytest.approx(0.0026645, rel=1e-7)
    assert physics.centre_of_percussion(about, 0.060, 0.365) == pytest.approx(0.4866667, rel=1e-7)


def test_a_bow_swings_as_it_must() -> None:
    # 60 g, balance .25 m from the pivot, I .0029 about it: T 1.335933 s, I .00665 about the pivot, percussion .443333 m.
    about = bench.swing_inertia(0.060, 1.335933141, 0.25)
    assert about == pytest.approx(0.00665, rel=1e-8)
    assert physics.centre_of_percussion(about, 0.060, 0.25) == pytest.approx(0.4433333, rel=1e-7)


def test_a_hollow_stick_with_a_thin_wall_is_lighter_than_the_solid_wooden_one_of_its_outline() -> None:
    # Common practice: carbon of 1.6 kg/l with .8 mm wall against wood of 1.0 kg/l, outline 9 mm.
    assert bench.tube_mass_per_length(0.009, 0.0074, 1600.0) < bench.tube_mass_per_length(0.009, 0.0, 1000.0)


REFUSED = [
    (bench.speed_of_sound, (-0.7, 3500.0), "length_m: got -0.7, expected the stick's length in metres"),
    (bench.speed_of_sound, (0.7, math.nan), "frequency_hz: got nan"),
    (bench.youngs_modulus, (0.0, 5000.0), "density_kg_m3: got 0.0"),
    (bench.bending_stiffness, (10.0, 0.0, 0.6), "deflection_m: got 0.0"),
    (bench.loss_factor, (100.0, math.inf), "decay_60db_s: got inf"),
    (bench.swing_inertia, (0.06, -1.3, 0.25), "period_s: got -1.3"),
    (bench.tube_mass_per_length, (0.009, 0.009, 1600.0), "inner_m: got 0.009, expected the inner diameter"),
    (bench.tube_mass_per_length, (0.009, 0.010, 1600.0), "below the outer 0.009"),
    (bench.tube_mass_per_length, (0.009, -0.001, 1600.0), "0 for a solid stick"),
    (physics.inertia_at_centre, (0.003, 0.06, 0.25), "expected more than 0.00375"),
]


@pytest.mark.parametrize(("function", "values", "said"), REFUSED)
def test_what_cannot_be_is_refused_with_what_would_be_right(function, values, said) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError, match=said.replace("(", r"\(")):
        function(*values)


def test_a_derived_value_and_its_uncertainty_agree_with_drawing_the_readings() -> None:
    # JCGM 101:2008: the propagation of distributions by drawing.
    drawn = np.random.default_rng(8)
    readings = {
        "mass_kg": (0.0602, 1e-4),
        "stick_mass_kg": (0.0360, 1e-4),
        "stick_length_m": (0.700, 5e-4),
        "outer_m": (0.0080, 5e-5),
        "longitudinal_hz": (3500.0, 5.0),
        "bending_hz": (58.0, 0.2),
        "swing_period_s": (1.336, 0.003),
        "pivot_to_balance_m": (0.25, 5e-4),
        "balance_m": (0.19, 5e-4),
    }
    told = bench.stick.derive({name: bench.readings.Measured(*each) for name, each in readings.items()})
    samples = {name: drawn.normal(*each, 20_000) for name, each in readings.items()} | {"inner_m": np.zeros(20_000)}
    samples["decay_hz"] = samples["bending_hz"]
    for name, formula in bench.stick.RULES:
        if name not in told.values:
            continue
        needs = formula.__code__.co_varnames[: formula.__code__.co_argcount]
        values = [formula(*each) for each in zip(*(samples[need].tolist() for need in needs), strict=True)]
        assert told.values[name].value == pytest.approx(float(np.mean(values)), rel=2e-3)
        assert told.values[name].sd == pytest.approx(float(np.std(values)), rel=0.03)
    assert {"youngs_modulus_pa", "bending_modulus_pa", "swing_inertia_kg_m2", "percussion_m"} <= set(told.values)
    assert not told.refused


def test_readings_that_contradict_each_other_are_named_and_the_rest_is_derived() -> None:
    measured = bench.readings.Measured
    told = bench.stick.derive(
        {
            "mass_kg": measured(0.06, 1e-4),
            "swing_period_s": measured(0.9, 0.01),
            "pivot_to_balance_m": measured(0.25, 5e-4),
            "stick_length_m": measured(0.7, 5e-4),
            "longitudinal_hz": measured(3500.0, 5.0),
        }
    )
    assert set(told.refused) == {"inertia_at_balance_kg_m2"}
    assert set(told.values) == {"speed_of_sound_m_s"}
    assert told.readings["speed_of_sound_m_s"] == ("stick_length_m", "longitudinal_hz")
