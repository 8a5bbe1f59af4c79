"""Values -> JSON -> values is the identity, and a field more or less breaks nothing."""

from __future__ import annotations

import dataclasses
import json
import math
import tempfile
import types
import typing
import zlib
from pathlib import Path

import made_shots as made
import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from calibration.board_layout import Board
from tracker.errors import LogError
from tracker.store import Log
from tracker.store.coding import essence, from_plain, pack, to_plain, unpack
from tracker.values import Ball, Measured, Number, Setup, Shot

FLOATS = st.floats(width=64)  # with NaN, infinities, -0.0 and the smallest ones

BOARDS = st.builds(  # a board refuses to be made of just any numbers
    Board,
    paper=st.sampled_from(["A4", "Letter"]),
    sheets_across=st.integers(1, 3),
    marker_mm=st.floats(50, 64),
    print_scale=st.floats(0.9, 1.1),
    u_print_scale=FLOATS,
    u_join_m=FLOATS,
)


def values(hint):  # noqa: PLR0911 - one return a kind of value
    """Any value of a declared type, from the declaration alone."""
    origin, parts = typing.get_origin(hint), typing.get_args(hint)
    if origin in (types.UnionType, typing.Union):
        return st.one_of(*(st.none() if part is type(None) else values(part) for part in parts))
    if hint is Board:
        return BOARDS
    if dataclasses.is_dataclass(hint):
        return st.builds(hint, **{name: values(kind) for name, kind in typing.get_type_hints(hint).items()})
    if origin in (np.ndarray, npt.NDArray):  # numpy spells it differently from version 2.5 on
        dtype = np.dtype(parts[0] if len(parts) == 1 else typing.get_args(parts[1])[0])
        return hnp.arrays(dtype, hnp.array_shapes(min_dims=1, max_dims=2, min_side=0, max_side=3))
    if origin is tuple:
        if parts[1:] == (Ellipsis,):
            return st.lists(values(parts[0]), max_size=2).map(tuple)
        return st.tuples(*map(values, parts))
    if origin is dict:
        return st.dictionaries(st.text(max_size=5), values(parts[1]), max_size=2)
    plain = {
        float: FLOATS,
        int: st.integers(-(2**31), 2**31 - 1),
        bool: st.booleans(),
        str: st.text(st.characters(exclude_categories=()), max_size=12),  # with NUL and lone surrogates
    }
    return plain[hint]


@settings(max_examples=60, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(values(Measured), values(Setup))
def test_packed_and_unpacked_is_the_identity(measured, setup):
    assert made.same(from_plain(Measured, unpack(pack(to_plain(measured)))), measured)
    assert made.same(from_plain(Setup, unpack(pack(to_plain(setup)))), setup)


@settings(
    max_examples=40,
    deadline=None,
    derandomize=True,
    phases=[Phase.explicit, Phase.generate],  # a log is opened each time: too slow to look for a smaller case
    suppress_health_check=list(HealthCheck),
)
@given(st.lists(st.tuples(values(Measured), values(Setup)), min_size=1, max_size=3))
def test_logged_and_read_is_the_identity(pairs):
    with tempfile.TemporaryDirectory() as folder, Log.open(Path(folder) / "log.sqlite") as log:
        for k, (measured, setup) in enumerate(pairs):
            numbered = tuple(dataclasses.replace(shot, shot=n) for n, shot in enumerate(measured.shots))
            clip = dataclasses.replace(measured, shots=numbered, sha256=f"{k:064x}")
            log.add("any", clip, setup)
            (kept,) = log.history("any", clip.sha256)
            assert made.same(kept.measured, clip)
            assert made.same(kept.setup, setup)
        logged = [s for clip in log.clips("any") for s in log.history("any", clip.sha256)[0].measured.shots]
        columns = log.shots("any")
        assert made.same(
            columns.exit_speed_m_s.value, np.array([s.exit_speed_m_s.value for s in logged], dtype=np.float64)
        )


@pytest.mark.parametrize("value", [0.1, 1 / 3, -0.0, 5e-324, 1.7976931348623157e308, 2**53 + 2.0])
def test_floats_are_exact(value):
    # The extremes are those of IEEE 754-2019, table 3.5, binary64.
    back = from_plain(Number, unpack(pack(to_plain(Number(value, 0.0, 0.0, None, None))))).value
    assert back.hex() == value.hex()


def test_the_document_is_strict_json_with_its_version():
    text = zlib.decompress(pack(to_plain(Number(math.nan, math.inf, -math.inf, None, 1.0)))).decode()

    def refuse(word):
        raise AssertionError(f"{word} is not JSON (RFC 8259, 6)")

    document = json.loads(text, parse_constant=refuse)
    assert document == {
        "version": 1,
        "value": {"value": "nan", "u_random": "inf", "u_common": "-inf", "low95": None, "high95": 1.0},
    }


def test_a_field_that_an_older_document_lacks_takes_its_default():
    plain = to_plain(made.measured())
    del plain["trust"], plain["refused"], plain["shots"][0]["wheel_budget"], plain["clock"]["u_rate"]
    back = from_plain(Measured, plain)
    assert (back.trust, back.refused, back.shots[0].wheel_budget, back.clock.u_rate) == ("", (), None, 0.0)


def test_a_compulsory_field_that_it_lacks_is_nothing_not_zero():
    plain = to_plain(made.measured().shots[0])
    for name in ("free_g_m_s2", "chi2_per_dof", "spin_rad_s", "flags", "spin_source"):
        del plain[name]
    del plain["path"]["u_m"]
    back = from_plain(Shot, plain)
    assert math.isnan(back.free_g_m_s2.value)
    assert math.isnan(back.chi2_per_dof)
    assert (back.spin_rad_s, back.flags, back.spin_source, back.path.u_m.size) == (None, (), "", 0)


def test_a_key_of_a_later_program_is_passed_over():
    plain = to_plain(Ball(0.14)) | {"seams": 2}
    assert from_plain(Ball, plain) == Ball(0.14)


@pytest.mark.parametrize(
    ("kind", "plain"),
    [
        (Ball, []),
        (Ball, {"diameter_m": "wide"}),
        (Ball, {"diameter_m": 0.14, "solid": 1}),
        (Ball, {"diameter_m": 0.14, "colour": 7}),
        (Shot, {}),
        (Number, None),
    ],
)
def test_what_does_not_fit_is_refused(kind, plain):
    with pytest.raises(LogError, match="in the launch log cannot be read") as caught:
        from_plain(kind, plain)
    assert caught.value.code == "log_damaged"


@pytest.mark.parametrize(
    "packed", [b"", b"not compressed", zlib.compress(b"{"), zlib.compress(b"[]"), zlib.compress(b"{}")]
)
def test_bytes_that_are_no_document_are_refused(packed):
    with pytest.raises(LogError, match="cannot be read"):
        unpack(packed)


def test_a_document_of_a_newer_program_is_refused():
    with pytest.raises(LogError, match="written by a newer lobscope") as caught:
        unpack(zlib.compress(b'{"version": 2, "value": {}}'))
    assert caught.value.code == "log_newer"


def test_what_has_no_plain_form_is_a_mistake_of_the_caller():
    with pytest.raises(TypeError, match="no plain form for complex"):
        to_plain(1j)


def test_a_new_field_at_its_default_does_not_change_the_essence():
    @dataclasses.dataclass(frozen=True)
    class Wider(Ball):
        seams: int = 0

    assert essence(Wider(0.14, 0.088)) == essence(Ball(0.14, 0.088))
    assert essence(Wider(0.14, 0.088, seams=2)) != essence(Ball(0.14, 0.088))
