import io
import itertools

import pytest
from examples import (
    failed,
    in_doubt,
    make_clip,
    make_shot,
    make_wheel_budget,
    with_everything,
    without_shot,
)
from golden import golden
from rich.console import Console

from tracker.report import result_table, result_text
from tracker.values import Number

ALL = (with_everything, in_doubt, without_shot, failed)


@pytest.mark.parametrize("width", [80, 120])
def test_golden_pages(width):
    text = result_text([make() for make in ALL], width)
    assert text == golden(f"measure_{width}.txt", text)


@pytest.mark.parametrize("width", [40, 60, 80, 120, 200])
def test_nothing_is_wider_than_the_page_or_cut(width):
    text = result_text([make() for make in ALL], width)
    assert max(map(len, text.splitlines())) <= width
    assert not any(line != line.rstrip() for line in text.splitlines())
    assert "…" not in text


def test_no_escape_codes_and_a_common_code_page():
    text = result_text([make() for make in ALL])
    assert "\x1b" not in text
    assert text.encode("cp1252").decode("cp1252") == text


def test_health_stands_before_numbers():
    text = result_text([in_doubt()])
    order = (
        "Can this be believed?",
        "Warnings",
        "Each shot",
        "What makes the numbers uncertain",
        "How far to trust",
    )
    places = [text.index(title) for title in order]
    assert places == sorted(places)


def test_number_of_shots_and_their_values():
    text = result_text([in_doubt()], 120)
    for number in ("7.210 ± 0.060", "7.384 ± 0.060", "7.052 ± 0.060", "21 (at least 9)"):
        assert number in text


def test_warnings_come_with_their_advice():
    text = " ".join(result_text([in_doubt()], 120).split())
    for warning in in_doubt().warnings:
        assert f"{warning.message} -> {warning.advice}" in text


def test_budget_is_largest_first():
    lines = result_text([make_clip()], 120).splitlines()
    start = next(i for i, line in enumerate(lines) if "What makes the numbers uncertain" in line)
    names = ["clicks on the reference", "length of the reference", "sightings", "frame rate"]
    assert [name in line for name, line in zip(names, lines[start + 2 : start + 6], strict=True)] == [
        True
    ] * 4
    assert "use a longer reference" in lines[start + 2]


def test_sections_without_content_are_left_out():
    text = result_text([make_clip()])
    for title in ("Warnings", "Designed against measured", "Where the wheel's speed goes", "power off"):
        assert title not in text
    assert "Can this be believed?" not in result_text([without_shot()])


def test_safety_wherever_the_launcher_may_be_changed():
    for changes in (
        {"design": {}},
        {"design": with_everything().shots[0].design},
        {"wheel_budget": make_wheel_budget()},
    ):
        text = result_text([make_clip([make_shot(**changes)])])
        assert ("power off" in text) == bool(any(changes.values()))


def test_flags_name_their_shots():
    text = " ".join(result_text([in_doubt()], 120).split())
    assert "shot 2: The flight ends at a contact." in text
    assert "Nothing to do" not in text
    shots = [make_shot(1, flags=("ends_at_contact",)), make_shot(2, flags=("ends_at_contact", "brand_new"))]
    text = result_text([make_clip(shots)])
    assert "every shot: The flight ends at a contact." in text
    assert "shot 2: brand_new" in text


def test_missing_spin():
    text = result_text([make_clip([make_shot(spin_rad_s=None, spin_source="none")])])
    assert "not known" in text


def test_text_of_users_is_never_markup():
    text = result_text([make_clip(clip="[bold]x[/bold] [reference].mp4")])
    assert "[bold]x[/bold] [reference].mp4" in text


def test_colour_on_a_terminal_says_the_same():
    shown = io.StringIO()
    console = Console(
        file=shown, width=80, force_terminal=True, color_system="truecolor", legacy_windows=False
    )
    console.print(result_table([in_doubt()]))
    coloured = shown.getvalue()
    assert "\x1b[" in coloured
    plain = "".join(part.partition("m")[2] if i else part for i, part in enumerate(coloured.split("\x1b[")))
    assert plain == result_text([in_doubt()])


def test_two_clips_are_apart():
    text = result_text([make_clip(clip="a.mp4"), make_clip(clip="b.mp4")])
    lines = text.splitlines()
    assert lines[lines.index("b.mp4") - 1] == ""


def test_odd_numbers_are_shown():
    odd = [
        Number(0.0, 0.0, 0.0, 0.0, 0.0),
        Number(float("nan"), 1.0, 1.0, None, None),
        Number.of(1e6, 1e5, 1e5),
    ]
    for speed, g in itertools.product(odd, odd):
        text = result_text([make_clip([make_shot(exit_speed_m_s=speed, free_g_m_s2=g, budget=())])])
        assert "How far to trust this" in text
        assert "nan" not in text
