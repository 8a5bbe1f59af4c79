"""Pictures in any order are those that come in order."""

from __future__ import annotations

from operator import methodcaller

import cv2
import make_clips
import numpy as np
import pytest

from tracker.errors import ClipError
from tracker.film.container import decoded
from tracker.film.decode import frames
from tracker.film.keeper import Keeper
from tracker.film.talk import Talker

COUNT = 40


@pytest.fixture(name="made", params=["libx264", "libvpx-vp9", "ffv1"])
def made_clip(request, tmp_path):
    name = "a.mkv" if request.param == "ffv1" else "a.mp4"
    return make_clips.write_clip(tmp_path / name, make_clips.steady(COUNT), codec=request.param)


def test_any_order_gives_the_same_pictures(made):
    with frames(made.path) as reel:
        in_order = [frame.y.copy() for frame in reel]
    keeper = Keeper(made.path)
    order = np.random.default_rng(11).integers(0, COUNT, 60)
    for index in [*order, 0, COUNT - 1, 0, 1, COUNT - 2]:
        assert np.array_equal(keeper.luma(int(index)), in_order[index])
        keeper.idle()


def test_idle_work_ends_and_brings_neighbours(made):
    keeper = Keeper(made.path)
    keeper.luma(20)
    steps = 0
    while keeper.idle():
        steps += 1
        assert steps < 10 * COUNT
    assert {19, 21} <= keeper._held.keys()


def test_memory_does_not_grow(made, monkeypatch):
    monkeypatch.setattr("tracker.film.keeper.HELD_BYTES", 1)
    keeper = Keeper(made.path)
    for index in range(0, COUNT, 3):
        keeper.luma(index)
        while keeper.idle():
            pass
        assert len(keeper._held) <= 8


@pytest.mark.parametrize(
    ("codec", "options"),
    [
        ("libx264", {"crf": "20", "bf": "3", "b-adapt": "0", "g": "30", "qp": "-1"}),
        ("libx264", {"crf": "20", "bf": "4", "b-pyramid": "none", "b-adapt": "0", "g": "40", "qp": "-1"}),
        (
            "libx265",
            {"x265-params": "crf=20:bframes=4:b-adapt=0:keyint=40:min-keyint=40:log-level=none"},
        ),
        (
            "libx265",
            {"x265-params": "crf=20:bframes=3:b-adapt=0:keyint=40:temporal-layers=3:log-level=none"},
        ),
    ],
)
def test_a_far_jump_gives_the_same_picture_to_the_pixel(tmp_path, codec, options):
    """What is passed over on the way must be nothing that the picture is made from."""
    made = make_clips.write_clip(tmp_path / "a.mp4", make_clips.steady(COUNT), codec=codec, options=options)
    with frames(made.path) as reel:
        in_order = [(frame.y.copy(), frame.u.copy()) for frame in reel]
    for index in range(COUNT):
        keeper = Keeper(made.path)
        assert np.array_equal(keeper.luma(index), in_order[index][0])
        with frames(made.path, start_s=float(keeper.survey.file_time_s[index])) as reel:
            frame = next(reel)
            assert frame.index == index
            assert np.array_equal(frame.y, in_order[index][0])
            assert np.array_equal(frame.u, in_order[index][1])
            assert reel.lost == 0


def test_pictures_that_nothing_needs_are_passed_over(tmp_path, monkeypatch):
    options = {"crf": "20", "bf": "4", "b-pyramid": "none", "b-adapt": "0", "g": "40", "qp": "-1"}
    made = make_clips.write_clip(tmp_path / "a.mp4", make_clips.steady(COUNT), options=options)
    given = []

    def watched(packet):
        given.append(len(found := decoded(packet)))
        return found

    monkeypatch.setattr("tracker.film.decode.decoded", watched)
    with frames(made.path, start_s=float(Keeper(made.path).survey.file_time_s[38])) as reel:
        assert next(reel).index == 38
    # One in five of the first thirty are needed, and those about the window.
    assert sum(given) < 20


def test_the_last_picture_is_made_ready_and_files_are_let_go_of(made, monkeypatch):
    keeper = Keeper(made.path)
    first = keeper.jpeg(0)
    while keeper.idle():
        pass
    assert {0, COUNT - 1} <= keeper._files.keys()
    assert keeper.jpeg(0) == first
    monkeypatch.setattr("tracker.film.keeper.FILES_BYTES", 3 * len(first))
    for index in range(0, COUNT, 2):
        assert keeper.jpeg(index) == Keeper(made.path).jpeg(index)
        assert keeper._files_bytes == sum(len(data) for data in keeper._files.values())
    assert len(keeper._files) <= 6


def test_a_picture_for_the_browser_is_upright_and_exact(tmp_path):
    made = make_clips.write_clip(tmp_path / "a.mp4", make_clips.steady(3), turned_deg=90)
    image = cv2.imdecode(np.frombuffer(Keeper(made.path).jpeg(1), np.uint8), cv2.IMREAD_COLOR)
    stored = made.planes[1][0].astype(float)
    assert image.shape[:2] == stored.T.shape
    # Turned counter-clockwise; luma of BT.601, limited range, from blue green red (ITU-R BT.601-7, 2.5).
    luma = 16 + 219 / 255 * (image @ [0.114, 0.587, 0.299])
    inner = np.rot90(stored)
    assert np.median(np.abs(luma - inner)) < 3


def test_a_process_answers_and_says_what_is_wrong(tmp_path):
    made = make_clips.write_clip(tmp_path / "a.mp4", make_clips.steady(6))
    talker = Talker(made.path)
    try:
        assert np.array_equal(talker.ask(methodcaller("luma", 3)), made.planes[3][0])
        with pytest.raises(ClipError, match="has no frame 6"):
            talker.ask(methodcaller("luma", 6))
        with pytest.raises(ClipError, match="broke down"):
            talker.ask(methodcaller("nothing_of_the_kind"))
        assert talker.ask(methodcaller("luma", 0)) is not None, "a new process takes over"
        with pytest.raises(ClipError, match="Nobody waits"):
            talker.ask(methodcaller("luma", 0), wanted=lambda: False)
    finally:
        talker.close()


def test_what_is_no_clip_is_an_answer(tmp_path):
    path = tmp_path / "a.mp4"
    path.write_bytes(b"no film at all" * 100)
    talker = Talker(path)
    try:
        with pytest.raises(ClipError, match=r"a\.mp4"):
            talker.ask(methodcaller("luma", 0))
    finally:
        talker.close()
