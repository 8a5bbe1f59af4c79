"""What passes between the rooms, in the order in which it arises: frozen values, SI inside."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from calibration.board_layout import StandingBoard
from calibration.values import CameraStatement, Clock, Floats, Ints, Picture, Reference
from tracker.flags import Doubt

COVERAGE_FACTOR_95 = 1.959963984540054  # normal distribution, two-sided 95 %

Bytes = npt.NDArray[np.uint8]

#: A strip's rings of luma, U and V, as shares of the ball's radius, and samples along each ring.
STRIP_RINGS = (np.linspace(0.07, 0.93, 10), np.linspace(0.12, 0.9, 4), np.linspace(0.12, 0.9, 4))
STRIP_ROWS = sum(map(len, STRIP_RINGS))
STRIP_ANGLES = 96


def no_strips() -> Bytes:
    """The strips of sightings whose inside was not looked at."""
    return np.empty((0, STRIP_ROWS, STRIP_ANGLES), dtype=np.uint8)


# -- setup_file -> ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Ball:
    """The ball as the user describes it.

    ``colour`` is a colour name or "#rrggbb"; ``mass_kg`` None widens drag and lift.
    """

    diameter_m: float
    mass_kg: float | None = None
    colour: str | None = None
    solid: bool = False
    u_diameter_m: float | None = None
    u_mass_kg: float | None = None


@dataclass(frozen=True, slots=True)
class Launcher:
    """The launcher's setting; ``None`` is "not stated"."""

    exit_px: tuple[float, float] | None = None
    wheels: int = 1
    wheel_diameter_m: float | None = None
    wheel_speed_rad_s: float | None = None
    second_wheel_speed_rad_s: float | None = None
    gap_entry_m: float | None = None
    gap_exit_m: float | None = None
    deflector_angle_rad: float | None = None


@dataclass(frozen=True, slots=True)
class Design:
    """What the launcher is meant to do; ``None`` is "not stated"."""

    exit_speed_m_s: float | None = None
    exit_angle_rad: float | None = None
    spin_rad_s: float | None = None
    speed_tolerance_m_s: float | None = None
    angle_tolerance_rad: float | None = None
    spin_tolerance_rad_s: float | None = None


@dataclass(frozen=True, slots=True)
class Target:
    """Where the ball is meant to go, from the exit."""

    distance_m: float
    height_m: float
    opening_m: float


@dataclass(frozen=True, slots=True)
class Room:
    """Air and place; ``None`` takes the ordinary room and its uncertainty."""

    temperature_k: float | None = None
    pressure_pa: float | None = None
    humidity: float | None = None
    latitude_rad: float | None = None


@dataclass(frozen=True, slots=True)
class Setup:
    """One setup file, read. ``text`` is the file as it was written."""

    ball: Ball
    reference: Reference | None = None
    camera: CameraStatement = CameraStatement()
    launcher: Launcher = Launcher()
    design: Design = Design()
    target: Target | None = None
    room: Room = Room()
    text: str = ""
    board: StandingBoard | None = None  # in place of a reference, to be found in the clip


# -- film -> ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class ClipFacts:
    """What the container says about a clip.

    Parameters
    ----------
    name : str
        File name without folders.
    picture : Picture
        Stored size and how it is turned.
    file_time_s : (n,) array
        Presentation times of the frames that a player would show, ascending, first is 0.
    tick_s : float
        Resolution of the file's clock.
    capture_fps_tag : float or None
        The capture rate the metadata claims, if any.
    bits : int
        Bits a sample, 8 or 10.
    """

    name: str
    picture: Picture
    file_time_s: Floats
    tick_s: float
    capture_fps_tag: float | None
    codec: str
    pixel_format: str
    bits: int


# -- ball -> ------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Sightings:
    """Where a ball was seen: columns of equal length n, in *stored* picture coordinates.

    Parameters
    ----------
    frame : (n,) int array
    x_px, y_px : (n,) arrays
        Centre of the outline at mid-exposure.
    u_px : (n,) array
        Standard uncertainty of the centre, per coordinate.
    radius_px : (n,) array
        Radius of the unblurred outline.
    streak_px, streak_rad : (n,) arrays
        Length by which motion draws the outline out, and its direction.
    visible : (n,) array
        Share of the outline that was seen, 0 to 1.
    contrast : (n,) array
        Difference from the surroundings, in levels of 0 to 255.
    hue_rad : (n,) array
        Direction of its colour in the U-V plane; NaN where it has none.
    at_border : (n,) bool array
        Whether the outline touches the edge of the picture.
    strips : (n, STRIP_ROWS, STRIP_ANGLES) uint8 array, or empty
        The ball's inside on rings about its centre: luma, U, V, each from the inside out; the angle
        grows from +x toward +y.
    """

    frame: Ints
    x_px: Floats
    y_px: Floats
    u_px: Floats
    radius_px: Floats
    streak_px: Floats
    streak_rad: Floats
    visible: Floats
    contrast: Floats
    hue_rad: Floats
    at_border: np.typing.NDArray[np.bool_]
    strips: Bytes = field(default_factory=no_strips)

    def __len__(self) -> int:
        return len(self.frame)


# -- flight -> ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Number:
    """A measured value with its random and its common standard uncertainty.

    ``low95`` and ``high95`` bound the 95 % coverage interval; None is unbounded.
    Source: JCGM 100:2008, 4.3 and 5.1.
    """

    value: float
    u_random: float
    u_common: float
    low95: float | None
    high95: float | None

    @classmethod
    def of(cls, value: float, u_random: float, u_common: float) -> Number:
        """Value with a symmetric, normal coverage interval."""
        half = COVERAGE_FACTOR_95 * math.hypot(u_random, u_common)
        return cls(float(value), float(u_random), float(u_common), float(value - half), float(value + half))

    @property
    def u(self) -> float:
        """Combined standard uncertainty."""
        return math.hypot(self.u_random, self.u_common)

    def times(self, factor: float) -> Number:
        """The same quantity in another unit; a negative factor swaps the bounds."""
        low, high = (None if bound is None else bound * factor for bound in (self.low95, self.high95))
        if factor < 0:
            low, high = high, low
        scale = abs(factor)
        return Number(self.value * factor, self.u_random * scale, self.u_common * scale, low, high)


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """What one input contributes to the uncertainty of speed and angle, and what would shrink it."""

    source: str
    speed_share_m_s: float
    angle_share_rad: float
    kind: str  # "random" or "common"
    remedy: str


@dataclass(frozen=True, slots=True)
class Path:
    """A shot's sightings and where the model puts them: columns of equal length n.

    ``x_px, y_px`` are upright picture coordinates as seen; ``x_m, z_m`` their place in the plane of
    flight; ``fit_x_m, fit_z_m`` and ``fit_x_px, fit_y_px`` the fitted path at the same times;
    ``u_m`` the standard uncertainty of a place; ``radius_px`` the outline's radius.
    """

    frame: Ints
    t_s: Floats
    x_px: Floats
    y_px: Floats
    x_m: Floats
    z_m: Floats
    fit_x_m: Floats
    fit_z_m: Floats
    fit_x_px: Floats
    fit_y_px: Floats
    u_m: Floats
    radius_px: Floats
    used: np.typing.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class WheelBudget:
    """Where the wheel's surface speed goes; the parts add up."""

    wheel_speed_m_s: Number
    exit_m_s: Number
    spin_loss_m_s: Number
    slip_m_s: Number
    backing_slip_m_s: Number
    spin_loss_share: Number


@dataclass(frozen=True, slots=True)
class DesignCheck:
    """One designed value beside the measured one; ``verdict`` is within, outside or undecided."""

    designed: float
    difference: Number
    verdict: str


@dataclass(frozen=True, slots=True)
class Onward:
    """How a flight goes on from its exit, to tell it at a neighbouring place, too.

    Parameters
    ----------
    reference_x_m : float
        The exit's distance from the reference's lowest point, in the direction of the launch.
    speed_per_m, angle_rad_per_m : float
        How speed and angle change along the path.
    """

    reference_x_m: float
    speed_per_m: float
    angle_rad_per_m: float


@dataclass(frozen=True, slots=True)
class Shot:
    """One launch, measured. Angles in radians, spin in rad/s (positive is backspin)."""

    shot: int
    exit_time_s: Number
    exit_x_m: Number
    exit_z_m: Number
    exit_x_px: float
    exit_y_px: float
    direction: str  # "right" or "left"
    exit_speed_m_s: Number
    exit_angle_rad: Number
    spin_rad_s: Number | None
    spin_source: str  # "marks", "lift" or "none"
    drag_coefficient: Number
    lift_coefficient: Number
    free_g_m_s2: Number
    ball_diameter_m: Number | None
    budget: tuple[BudgetLine, ...]
    sightings: int
    chi2_per_dof: float
    flags: tuple[str, ...]
    path: Path
    wheel_budget: WheelBudget | None = None
    design: dict[str, DesignCheck] | None = None  # keys: exit_speed_m_s, exit_angle_rad, spin_rad_s
    onward: Onward | None = None


@dataclass(frozen=True, slots=True)
class Scale:
    """Metres a pixel in the plane of flight at the middle of the picture, and the camera's tilt."""

    m_per_px: Number
    tilt_rad: Number
    source: str  # "length", "plane", "board", "ball" or "fall"


@dataclass(frozen=True, slots=True)
class Moved:
    """One quantity by the reference alone, and by the adjustment in which gravity helps.

    ``unit`` is how a person reads it after ``factor`` was applied.
    """

    what: str
    unit: str
    factor: float
    alone: Number
    adjusted: Number


@dataclass(frozen=True, slots=True)
class Measured:
    """One clip, measured; a clip without a shot has none, and no scale if nothing carries it."""

    clip: str
    sha256: str
    frames: int
    picture: Picture
    clock: Clock
    scale: Scale | None
    warnings: tuple[Doubt, ...]
    shots: tuple[Shot, ...]
    trust: str = ""  # one paragraph of plain words
    refused: tuple[str, ...] = field(default=())  # why candidates were not taken, for --explain
    moved: tuple[Moved, ...] = field(default=())  # what the adjustment changed
    verdict: str = ""  # the second opinions taken together, one sentence


@dataclass(frozen=True, slots=True)
class Failed:
    """One clip that could not be measured, as the exception said it."""

    clip: str
    code: str
    message: str
    advice: str
