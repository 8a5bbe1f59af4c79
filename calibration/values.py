"""What passes into and out of calibration: frozen values, SI inside.

Picture coordinates: centre of the top-left pixel is (0, 0), x right, y down. *Stored* is how the
file keeps the picture (the shutter runs along its rows); *upright* is how a player shows it.
World: x along the launch, z up, y away from the camera; y = 0 is the plane of flight.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


def frozen(values: object, *, shape: tuple[int | None, ...] | None = None) -> Floats:
    """A read-only float64 copy; ``None`` in ``shape`` leaves that length open.

    Raises
    ------
    ValueError
        If the array does not have the shape asked for.
    """
    array = np.array(values, dtype=np.float64)
    if shape is not None and (
        array.ndim != len(shape)
        or any(want is not None and want != got for want, got in zip(shape, array.shape, strict=True))
    ):
        raise ValueError(f"expected an array of shape {shape}, got {array.shape}")
    array.flags.writeable = False
    return array


@dataclass(frozen=True, slots=True)
class Picture:
    """How the stored picture relates to the upright one.

    Parameters
    ----------
    stored_width_px, stored_height_px : int
    quarter_turns : int
        Counter-clockwise quarter turns (0 to 3) that show the stored picture upright.
    mirrored : bool
        Whether the stored picture is flipped left to right before it is turned.
    """

    stored_width_px: int
    stored_height_px: int
    quarter_turns: int = 0
    mirrored: bool = False

    @property
    def width_px(self) -> int:
        """Width of the upright picture."""
        return self.stored_height_px if self.quarter_turns % 2 else self.stored_width_px

    @property
    def height_px(self) -> int:
        """Height of the upright picture."""
        return self.stored_width_px if self.quarter_turns % 2 else self.stored_height_px

    def to_upright(self, xy_px: npt.ArrayLike) -> Floats:
        """Stored coordinates, shape (..., 2), to upright ones, same shape."""
        xy = np.asarray(xy_px, dtype=np.float64)
        x, y = xy[..., 0], xy[..., 1]
        right, bottom = self.stored_width_px - 1, self.stored_height_px - 1
        if self.mirrored:
            x = right - x
        k = self.quarter_turns % 4
        if k == 1:
            x, y = y, right - x
        elif k == 2:
            x, y = right - x, bottom - y
        elif k == 3:
            x, y = bottom - y, x
        return np.stack([x, y], axis=-1)

    def to_stored(self, xy_px: npt.ArrayLike) -> Floats:
        """Upright coordinates, shape (..., 2), to stored ones, same shape."""
        xy = np.asarray(xy_px, dtype=np.float64)
        x, y = xy[..., 0], xy[..., 1]
        right, bottom = self.stored_width_px - 1, self.stored_height_px - 1
        k = self.quarter_turns % 4
        if k == 1:
            x, y = right - y, x
        elif k == 2:
            x, y = right - x, bottom - y
        elif k == 3:
            x, y = y, bottom - x
        if self.mirrored:
            x = right - x
        return np.stack([x, y], axis=-1)


@dataclass(frozen=True, slots=True)
class Reference:
    """A known length or known places, as they were pointed at in one upright frame.

    Exactly one of ``length_m`` (two points) and ``points_m`` (four points and more) is given.

    Parameters
    ----------
    points_px : (n, 2) array
    picture_px : (width, height) of the upright picture the points belong to
    frame : int
        Frame they were pointed at in.
    length_m : float or None
        Distance between the two points.
    points_m : (n, 2) array or None
        Places (x, z) in the plane.
    offset_m : float
        Distance of the reference behind the plane of flight, seen from the camera.
    u_length_m, u_offset_m : float
        Standard uncertainties.
    u_click_px : float
        Standard uncertainty of each coordinate pointed at.
    """

    points_px: Floats
    picture_px: tuple[int, int]
    frame: int = 0
    length_m: float | None = None
    points_m: Floats | None = None
    offset_m: float = 0.0
    u_length_m: float = 0.0
    u_offset_m: float = 0.0
    u_click_px: float = 1.0


@dataclass(frozen=True, slots=True)
class PlanePoints:
    """Points of known place that nobody had to point at: a board, from all pictures it was seen in.

    Parameters
    ----------
    points_px, points_m : (n, 2) arrays
    covariance_px : (2n, 2n) array
        Of x0, y0, x1, y1, ...; holds noise, what no averaging removes, and how the sheets were joined.
    u_scale : float
        Relative standard uncertainty of every length on the board.
    pictures : int
    """

    points_px: Floats
    points_m: Floats
    covariance_px: Floats
    u_scale: float
    pictures: int = 0


@dataclass(frozen=True, slots=True)
class CameraStatement:
    """What the user states about the camera; ``None`` is "not stated".

    ``plumb_px`` is two upright points, shape (2, 2), one above the other in the room.
    """

    distance_m: float | None = None
    u_distance_m: float | None = None
    capture_fps: float | None = None
    readout_s: float | None = None
    lens_file: str | None = None
    plumb_px: Floats | None = None


@dataclass(frozen=True, slots=True)
class Clock:
    """Real time of each frame.

    Parameters
    ----------
    frame_time_s : (n,) array
        Real seconds; 0 is the middle of the exposure of the first frame's first row.
    capture_fps : float
        True frames a second.
    stretch : float
        File time over real time (8 for 240 fps stored as 30).
    source : str
        "stated", "metadata", "fall" or "container".
    jitter_s : float
        Root mean square of the file times about their grid, in real seconds.
    missing : (m,) int array
        Frames after which at least one was lost.
    u_rate : float
        Relative standard uncertainty of the rate.
    """

    frame_time_s: Floats
    capture_fps: float
    stretch: float
    source: str
    jitter_s: float = 0.0
    missing: tuple[int, ...] = field(default=())
    u_rate: float = 0.0
