"""Changing a setup file's text: what it says changes, what people wrote about it stays."""

from __future__ import annotations

import itertools
import tomllib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tracker.errors import SetupError
from tracker.setup_file import parse_setup, template
from tracker.setup_file.draft import for_hands, from_hands, in_order, place_of, rectangle, sides
from tracker.setup_file.edit import edited, table_of
from tracker.setup_file.section import KEYS

texts = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\x00"), max_size=12)
numbers = st.integers(-(10**6), 10**6) | st.floats(-1e6, 1e6)
values = texts | numbers | st.booleans() | st.lists(st.lists(numbers, min_size=2, max_size=2), max_size=4)
tables = st.fixed_dictionaries(
    {},
    optional={
        section: st.dictionaries(st.sampled_from(keys), values, min_size=1, max_size=4)
        for section, keys in KEYS.items()
    },
)


@settings(max_examples=150, derandomize=True, deadline=None)
@given(first=tables, second=tables)
def test_a_file_says_what_it_is_told_to_say(first, second):
    text = edited(edited(template(), first), second)
    # tomllib is the judge: what a text says does not depend on the code under test.
    said = {k: v for k, v in tomllib.loads(text).items() if v}
    assert said == second
    assert edited(text, second) == text


def test_notes_and_unknown_layout_stay():
    text = (
        "# my launcher\n[ball]\ndiameter = '140 mm' # with callipers\n\n[reference]\npoints_px = [\n"
        '  [1, 2],  # left\n  [300, 400],\n]\npicture = [640, 480]\nlength = "1 m" # the "long" staff\n'
    )
    table = table_of(text)
    table["reference"]["length"] = "1.002 m"
    table["reference"]["points_px"] = [[1.5, 2], [300, 400]]
    table["camera"] = {"distance": "4.2 m"}
    result = edited(text, table)
    assert "# my launcher\n[ball]\ndiameter = '140 mm' # with callipers\n" in result
    assert 'length = "1.002 m"   # the "long" staff\n' in result
    assert "points_px = [[1.5, 2], [300, 400]]\n" in result
    assert tomllib.loads(result) == table


def test_what_is_taken_away_stays_as_an_example():
    text = edited(template(), {"ball": {"diameter": "140 mm", "mass": "91 g"}})
    text = edited(text, {"ball": {"diameter": "140 mm"}})
    assert '# mass = "91 g"\n' in text
    assert parse_setup(text, "setup.toml").ball.mass_kg is None


@pytest.mark.parametrize("table", [{"balls": {}}, {"ball": {"size": "1 m"}}])
def test_keys_that_are_none_are_refused(table):
    with pytest.raises(SetupError, match="no such key"):
        edited(template(), table)


def test_a_text_that_cannot_be_changed_safely_is_refused():
    with pytest.raises(SetupError, match="cannot be changed here"):
        edited('ball = { diameter = "140 mm" }\n', {"ball": {"diameter": "150 mm"}})


@pytest.mark.parametrize("order", list(itertools.permutations(range(4))))
def test_corners_in_any_order_are_put_in_order(order):
    # Lower left, lower right, upper right, upper left of a frame seen aslant; y runs down.
    corners = np.array([[310.0, 610.0], [700.0, 580.0], [690.0, 310.0], [305.0, 280.0]])
    shuffled = corners[list(order)]
    assert np.array_equal(shuffled[in_order(shuffled)], corners)


def test_a_rectangle_is_its_sides():
    assert rectangle("1.2 m", "80 cm") == [[0.0, 0.0], [1.2, 0.0], [1.2, 0.8], [0.0, 0.8]]
    assert sides(rectangle("4 ft", "30 in")) == ("1.2192 m", "0.762 m")
    assert sides([[0, 0], [1, 0], [1, 1], [0.1, 1]]) is None
    assert sides("nonsense") is None
    with pytest.raises(SetupError, match="no area"):
        rectangle("0 m", "1 m")
    with pytest.raises(SetupError, match="The rectangle's height"):
        rectangle("1 m", "1")


def test_hands_and_file_say_the_same():
    marks = [[700, 300], [300, 600], [700, 600], [300, 300]]
    table, order = from_hands({"reference": {"points_px": marks, "size": ["1.5 m", "1.1 m"]}})
    assert order == [1, 2, 0, 3]
    assert table["reference"]["points_px"] == [marks[i] for i in order]
    back = for_hands(table)
    assert back["reference"]["size"] == ["1.5 m", "1.1 m"]
    assert from_hands(back)[0] == table


def test_an_error_knows_its_place():
    with pytest.raises(SetupError, match="diameter") as caught:
        parse_setup('[ball]\ndiameter = "140"\n', "my setup.toml")
    assert place_of(caught.value) == "ball.diameter"
