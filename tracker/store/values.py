"""What the launch log gives back: frozen values; times are aware and in UTC, arrays are read-only."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from calibration.values import Floats, Ints
from tracker.values import Measured, Setup

NOTE_KINDS = MappingProxyType(
    {
        "fasteners_checked": "fasteners checked",
        "wheel_cleaned": "wheel cleaned",
        "battery": "battery changed or charged",
        "wheel_changed": "wheel changed",
        "other": "other",
    }
)


@dataclass(frozen=True, slots=True)
class Opened:
    """What opening the log did to it; ``safety_copy`` is a file, or a schema's name on a server."""

    where: str
    created: bool
    upgraded_from: int | None
    safety_copy: Path | str | None
    read_only: bool


@dataclass(frozen=True, slots=True)
class Added:
    """What became of one clip.

    Parameters
    ----------
    kind : str
        "added", "already_there" or "replaced".
    shots : int
        Shots of the clip that now count.
    earlier : int
        Earlier measurements of the same clip that are kept beside it.
    carried : int
        Exclusions that were carried over to the same launches in the new measurement.
    not_carried : int
        Exclusions whose launch the new measurement does not have.
    """

    kind: str
    shots: int
    earlier: int
    carried: int = 0
    not_carried: int = 0


@dataclass(frozen=True, slots=True)
class SessionRow:
    """One session at a glance; ``shots`` counts the excluded ones too."""

    name: str
    created: datetime
    clips: int
    shots: int
    excluded: int
    last_measured: datetime | None


@dataclass(frozen=True, slots=True)
class ClipRow:
    """One clip of a session as it counts now.

    ``m_per_px`` and its uncertainties are None where nothing carried a scale. Two clips that share
    ``calibration`` were filmed the same way and measured with the same reference points.
    """

    name: str
    sha256: str
    measured_at: datetime
    program_version: str
    setup_text: str
    setup_hash: str
    how: str
    calibration: str
    frames: int
    width_px: int
    height_px: int
    quarter_turns: int
    mirrored: bool
    capture_fps: float
    stretch: float
    clock_source: str
    m_per_px: float | None
    u_random_m_per_px: float | None
    u_common_m_per_px: float | None
    scale_source: str | None
    warnings: tuple[str, ...]
    shots: int
    earlier: int


@dataclass(frozen=True, slots=True)
class Kept:
    """One measurement of a clip, whole; ``superseded_at`` is None for the one that counts."""

    measured: Measured
    setup: Setup
    how: str
    measured_at: datetime
    superseded_at: datetime | None
    program_version: str


@dataclass(frozen=True, slots=True)
class NumberColumns:
    """A quantity of n shots with its two kinds of standard uncertainty: (n,) arrays, NaN is none."""

    value: Floats
    u_random: Floats
    u_common: Floats


@dataclass(frozen=True, slots=True)
class ShotColumns:
    """The shots of a session that count: columns of equal length n, in the order they were logged.

    Parameters
    ----------
    session : str
    id : (n,) int array
        What ``exclude`` and ``include`` are told.
    clips : tuple of ClipRow
    clip : (n,) int array
        Index into ``clips``.
    shot : (n,) int array
        Number of the shot within its clip.
    measured_at : (n,) datetime64[us] array
        UTC.
    spin_source : (n,) str array
    flags : tuple of n tuples of str
    wheel_speed_rad_s ... deflector_angle_rad : (n,) arrays
        The setting they were fired at; NaN is "not stated".
    reference_x_m, speed_per_m, angle_rad_per_m : (n,) arrays
        How the flight goes on from the exit, see ``Onward``; NaN where an older program measured it.
    excluded : (n,) bool array
    reason : tuple of n str
        Why; empty for those that count.
    calibration : (n,) str array
        Equal for shots that share a calibration.
    """

    session: str
    id: Ints
    clips: tuple[ClipRow, ...]
    clip: Ints
    shot: Ints
    measured_at: npt.NDArray[np.datetime64]
    exit_time_s: NumberColumns
    exit_x_m: NumberColumns
    exit_z_m: NumberColumns
    exit_speed_m_s: NumberColumns
    exit_angle_rad: NumberColumns
    spin_rad_s: NumberColumns
    drag_coefficient: NumberColumns
    lift_coefficient: NumberColumns
    free_g_m_s2: NumberColumns
    ball_diameter_m: NumberColumns
    spin_source: npt.NDArray[np.str_]
    sightings: Ints
    chi2_per_dof: Floats
    flags: tuple[tuple[str, ...], ...]
    wheel_speed_rad_s: Floats
    second_wheel_speed_rad_s: Floats
    gap_entry_m: Floats
    gap_exit_m: Floats
    deflector_angle_rad: Floats
    reference_x_m: Floats
    speed_per_m: Floats
    angle_rad_per_m: Floats
    excluded: npt.NDArray[np.bool_]
    reason: tuple[str, ...]
    calibration: npt.NDArray[np.str_]

    def __len__(self) -> int:
        return len(self.id)

    def shares_calibration_with(self, other: ShotColumns) -> bool:
        """Whether all shots of both that count were measured with one and the same calibration."""
        counted = np.concatenate([self.calibration[~self.excluded], other.calibration[~other.excluded]])
        return len(np.unique(counted)) == 1


@dataclass(frozen=True, slots=True)
class Exclusion:
    """A shot that was taken out of the count; ``taken_back_at`` is None while it is out.

    ``carried`` marks one that followed its launch when the clip was measured again.
    """

    session: str
    clip: str
    shot: int
    shot_id: int
    reason: str
    excluded_at: datetime
    taken_back_at: datetime | None
    carried: bool


@dataclass(frozen=True, slots=True)
class Note:
    """Something done to the launcher; ``kind`` is a key of ``NOTE_KINDS``."""

    when: datetime
    kind: str
    text: str


@dataclass(frozen=True, slots=True)
class TimelineRow:
    """One line of the log's timeline.

    ``kind`` is a key of ``NOTE_KINDS``, or "measured", "measured_again", "excluded", "taken_back".
    """

    when: datetime
    kind: str
    session: str
    text: str


@dataclass(frozen=True, slots=True)
class Imported:
    """What an import added, and what it left alone because it was there already."""

    clips: int
    already_there: int
    notes: int
