"""One flight of a finished adjustment -> the Shot that leaves the room."""

from __future__ import annotations

from calibration.values import Floats, Ints
from tracker.flight.doubts import flags_of
from tracker.flight.launch import Launch, ball_diameter
from tracker.flight.settle import ROBUST_AT, Settled
from tracker.values import Number, Path, Shot, Sightings


def make_shot(
    settled: Settled,
    launch: Launch,
    k: int,
    *,
    free_g: Number,
    m_per_px: Number,
    track_rows: Ints,
    sightings: Sightings,
    upright_px: Floats,
    exit_stated: bool,
) -> Shot:
    """The k-th flight, as shot k + 1.

    Parameters
    ----------
    free_g, m_per_px : Number
        The flight's own gravity, and metres a pixel at the middle of the picture.
    track_rows : (m,) int array
        All sightings of the ball, before and after its free flight, too.
    exit_stated : bool
        Whether the user said where the exit is.
    upright_px : (all, 2) array
        Upright picture coordinates of all sightings as a player shows them.
    """
    flight = settled.problem.flights[k]
    mine = settled.problem.which == k
    distance = settled.distance[mine]
    flags = flags_of(settled, k, list(track_rows), sightings, exit_stated=exit_stated)
    if launch.spin_unbounded:
        flags.append("spin_unbounded")
    exit_xy = launch.exit_xy_px + upright_px[flight.rows[0]] - flight.xy_px[0]
    used = distance < 2 * ROBUST_AT
    return Shot(
        shot=k + 1,
        exit_time_s=launch.exit_time_s,
        exit_x_m=launch.exit_x_m,
        exit_z_m=launch.exit_z_m,
        exit_x_px=float(exit_xy[0]),
        exit_y_px=float(exit_xy[1]),
        direction="right" if flight.sense > 0 else "left",
        exit_speed_m_s=launch.exit_speed_m_s,
        exit_angle_rad=launch.exit_angle_rad,
        spin_rad_s=launch.spin_rad_s,
        spin_source="lift" if launch.spin_rad_s is not None else "none",
        drag_coefficient=launch.drag_coefficient,
        lift_coefficient=launch.lift_coefficient,
        free_g_m_s2=free_g,
        ball_diameter_m=ball_diameter(settled, m_per_px, k, launch.path_m),
        budget=launch.budget,
        sightings=int(used.sum()),
        chi2_per_dof=float(settled.noise[k]) ** 2,
        flags=tuple(flags),
        path=Path(
            frame=sightings.frame[flight.rows],
            t_s=launch.time_s,
            x_px=upright_px[flight.rows, 0],
            y_px=upright_px[flight.rows, 1],
            x_m=launch.place_m[:, 0],
            z_m=launch.place_m[:, 1],
            fit_x_m=launch.fit_m[:, 0],
            fit_z_m=launch.fit_m[:, 1],
            fit_x_px=launch.fit_px[:, 0] + upright_px[flight.rows, 0] - flight.xy_px[:, 0],
            fit_y_px=launch.fit_px[:, 1] + upright_px[flight.rows, 1] - flight.xy_px[:, 1],
            u_m=launch.u_m,
            radius_px=flight.radius_px,
            used=used,
        ),
        onward=launch.onward,
    )
