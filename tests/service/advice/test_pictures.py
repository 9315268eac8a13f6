"""Numbers to places on a picture."""

import itertools

import pytest

from service.advice import interval_pictures
from tests.service.documents import FIT, document, entry


def _percent(place: str) -> float:
    assert place.endswith("%")
    return float(place[:-1])


def test_the_scale_runs_evenly_from_its_one_end_to_the_other() -> None:
    places = [_percent(interval_pictures.place(rating)) for rating in range(1, 8)]
    assert places[0] == pytest.approx(100 - places[-1])
    steps = [after - before for before, after in itertools.pairwise(places)]
    assert max(steps) - min(steps) < 0.11, "places are written to a tenth of a per cent"


@pytest.mark.parametrize(("beyond", "end"), [(0.2, 1), (7.9, 7), (-3, 1)])
def test_what_lies_beyond_the_scale_is_held_at_its_end(beyond: float, end: int) -> None:
    assert interval_pictures.place(beyond) == interval_pictures.place(end)


def test_every_bar_holds_its_dot_and_rows_do_not_touch() -> None:
    picture = interval_pictures.liking(document())
    assert picture is not None
    for row in picture.rows:
        assert _percent(row.low) < _percent(row.expected) < _percent(row.high)
        assert row.name_y < row.bar_y < picture.foot
    tops = [row.name_y for row in picture.rows]
    assert all(below - above >= 50 for above, below in itertools.pairwise(tops))
    assert picture.foot < picture.numbers_y < picture.ends_y <= picture.height


@pytest.mark.parametrize(("level", "anchor"), [(1.0, "start"), (4.0, "middle"), (7.0, "end")])
def test_the_own_line_keeps_its_name_on_the_picture(level: float, anchor: str) -> None:
    picture = interval_pictures.liking(document(own_bow={"state": "rated", "level": level}))
    assert picture is not None
    assert picture.own is not None
    assert picture.own.anchor == anchor


def test_nothing_to_show_is_no_picture() -> None:
    assert interval_pictures.liking(document(shortlist=[])) is None


def test_the_description_tells_every_number_of_the_picture() -> None:
    picture = interval_pictures.liking(document(shortlist=[entry(name="Alder", fit=FIT | {"expected": 5.25})]))
    assert picture is not None
    assert picture.description == "On a scale from 1 to 7. Your bow: 4.0. Alder: 5.2, from 3 to 6."
