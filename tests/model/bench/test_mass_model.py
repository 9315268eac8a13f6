"""The four-part bow against rigid bodies whose answers are known."""

import math

import pytest

from model.bench import mass_model
from model.bench.mass_model import Bow, Part

ROD = Bow(Part(0.0, 0.73), Part(0.060, 0.365, 0.73), Part(0.0, 0.0), Part(0.0, 0.3))
BOW = Bow(Part(0.008, 0.65), Part(0.035, 0.29, 0.73), Part(0.013, 0.0), Part(0.004, 0.325, 0.65))


def test_a_bow_that_is_a_uniform_rod_has_the_rods_values() -> None:
    # 60 g, 730 mm: I .0026645 about the middle, .010658 about the end, percussion 486.667 mm.
    assert (ROD.mass_kg, ROD.balance_m) == pytest.approx((0.060, 0.365))
    assert ROD.inertia_kg_m2 == pytest.approx(0.0026645)
    assert ROD.inertia_about(0.0) == pytest.approx(0.010658)
    assert ROD.percussion_m == pytest.approx(0.4866667, rel=1e-7)


def test_moving_a_gram_from_frog_to_head_leaves_the_mass_and_raises_the_inertia_at_the_hand() -> None:
    shift = BOW.moved(0.001, "frog", "head").against(BOW)
    assert shift.mass_kg == pytest.approx(0.0, abs=1e-12)
    # First moments: a gram moved by .65 m on 60 g; at the hand its own m x^2, by hand.
    assert shift.balance_m == pytest.approx(0.001 * 0.65 / 0.060)
    assert shift.inertia_at_hand_kg_m2 == pytest.approx(0.001 * 0.65**2)
    assert shift.inertia_kg_m2 > 0


def test_a_lighter_bow_with_heavier_ends_has_as_much_inertia() -> None:
    lighter = Bow(Part(0.0095, 0.65), Part(0.030, 0.29, 0.73), Part(0.0145, 0.0), Part(0.004, 0.325, 0.65))
    assert lighter.mass_kg < BOW.mass_kg
    assert lighter.inertia_kg_m2 > BOW.inertia_kg_m2


def test_a_stick_that_gets_thinner_has_the_centre_and_the_inertia_of_its_slices() -> None:
    # A classical violin stick of 700 mm (Fetis 1856): 8.6 mm over the first 110 mm, then to 5.3 mm at the head; in slices.
    places = [(each + 0.5) / 7000.0 * 0.7 for each in range(7000)]
    thick = [8.6 if at < 0.11 else -6.22 + 5.14 * math.log10(1e3 * (0.7 - at) + 175.0) for at in places]
    mass = [d**2 for d in thick]
    centre = sum(m * at for m, at in zip(mass, places, strict=True)) / sum(mass)
    stick = Part(0.036, 0.35, 0.7, mass_model.STICK_TAPER)
    assert stick.centre_m == pytest.approx(centre, abs=5e-4)
    inertia = 0.036 * sum(m * at**2 for m, at in zip(mass, places, strict=True)) / sum(mass)
    assert stick.inertia_about(0.0) == pytest.approx(inertia, rel=0.02)
    # Its own law, a mass a length that falls in a straight line, to the last digit.
    line = [1.0 - (1.0 - mass_model.STICK_TAPER) * at / 0.7 for at in places]
    about = 0.036 * sum(m * (at - 0.2) ** 2 for m, at in zip(line, places, strict=True)) / sum(line)
    assert stick.inertia_about(0.2) == pytest.approx(about, rel=1e-6)


def test_a_violin_bow_that_balances_where_bows_do_has_a_head() -> None:
    # 60 g, 742 mm, balance 190 mm from the frog (common practice): an even stick leaves the head less than nothing.
    weighed = (0.0602, 0.190, 0.742, 0.014, 0.0042)
    found = mass_model.from_bench(*weighed, frog_m=-0.02, hair_m=0.65, taper=mass_model.STICK_TAPER)
    assert 0.001 < found.head.mass_kg < 0.006
    assert (found.mass_kg, found.balance_m) == pytest.approx((0.0602, 0.190))
    with pytest.raises(ValueError, match="gives the head -"):
        mass_model.from_bench(*weighed, frog_m=-0.02, hair_m=0.65)
    with pytest.raises(ValueError, match=r"taper: got 0\.0"):
        Part(0.036, 0.35, 0.7, 0.0)


def test_the_parts_follow_from_mass_and_balance() -> None:
    found = mass_model.from_bench(BOW.mass_kg, BOW.balance_m, 0.72, 0.013, 0.004, frog_m=0.0, hair_m=0.65)
    assert found.head.mass_kg == pytest.approx(0.008)
    assert found.stick.mass_kg == pytest.approx(0.035)
    assert (found.mass_kg, found.balance_m, found.inertia_kg_m2) == pytest.approx(
        (BOW.mass_kg, BOW.balance_m, BOW.inertia_kg_m2), rel=0.02
    )


def test_what_no_bow_can_be_is_refused() -> None:
    with pytest.raises(ValueError, match="leaves head and stick some mass"):
        mass_model.from_bench(0.060, 0.05, 0.72, 0.013, 0.004, frog_m=0.0, hair_m=0.65)
    with pytest.raises(ValueError, match=r"frog_kg: got -0\.013"):
        mass_model.from_bench(0.060, 0.19, 0.72, -0.013, 0.004, frog_m=0.0, hair_m=0.65)
    with pytest.raises(ValueError, match=r"expected at most the 0\.013 kg of the frog"):
        BOW.moved(0.02, "frog", "head")
    with pytest.raises(ValueError, match="no mass at all"):
        Bow(Part(0.0, 0.7), Part(0.0, 0.3), Part(0.0, 0.0), Part(0.0, 0.3))
    with pytest.raises(ValueError, match="mass_kg: got -1"):
        Part(-1, 0.0)
