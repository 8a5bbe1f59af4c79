"""The way of the data, each room called once and in its order: a clip file in, what was measured out."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path

import numpy as np

from calibration.board import plane_points
from calibration.board_layout import StandingBoard
from calibration.cadence import Cadence, find_cadence
from calibration.camera import LOG_DEPTH, LOG_SCALE
from calibration.clock import (
    Grid,
    clock_at,
    find_grid,
    rate_from_fall,
    set_clock,
    with_cadence,
)
from calibration.convert import Sight
from calibration.lens_file import read_lens
from calibration.reference import CameraPrior, camera_prior, loosened
from calibration.second_opinions import Verdict, verdict
from calibration.shutter import Readout, readout_of
from calibration.values import Clock, Floats, PlanePoints
from tracker.ball.watch import BallHint
from tracker.film.digest import fingerprint
from tracker.film.guard import Child
from tracker.flags import Doubt, warn
from tracker.flight import doubts
from tracker.flight.assumed import Assumed, assume
from tracker.flight.bent import hear
from tracker.flight.choose import choose, shared_exit
from tracker.flight.compared import in_words, what_moved
from tracker.flight.launch import launches, scale_numbers
from tracker.flight.observed import Flight
from tracker.flight.screen import Refused
from tracker.flight.settle import Settled
from tracker.flight.shot import make_shot
from tracker.flight.spread import Spread
from tracker.flight.stages import Fall, adjust, clear_of_launcher, free_flights, hear_fall
from tracker.launcher.budget import wheel_budget
from tracker.launcher.check import design_check
from tracker.spin.judge import FASTEST_SPIN_PARAMETER, likely_spin, with_marks
from tracker.spin.marks import CLEAR_VISIBLE, spin_from_marks
from tracker.spin.refine import Decay
from tracker.spin.seen_from import View
from tracker.track.chains import clearest_moves
from tracker.track.follow import Track, follow, get_ready
from tracker.values import Measured, Moved, Scale, Setup, Shot, Sightings
from tracker.viewing import Seen, Viewing

SILENCE_S = 30.0  # a child that has not decoded anything for so long never will
CHILD_MEMORY_BYTES = 3 * 1024**3
SLOW_FILM_S = 1 / 61  # films of 60 frames a second and fewer may have had frames left out


@dataclasses.dataclass(frozen=True, slots=True)
class Scene:
    """A clip as it was seen, and how its pixels become those of an ideal camera.

    ``upright_px`` and ``ideal_px`` (n, 2) are the sightings as a player shows them, and as an ideal
    camera that stands still would.
    """

    setup: Setup
    seen: Seen
    sightings: Sightings
    sight: Sight
    camera: CameraPrior
    assumed: Assumed
    stored_px: Floats
    upright_px: Floats
    ideal_px: Floats


@dataclasses.dataclass(frozen=True, slots=True)
class Timed:
    """A clip's free flights with a clock, how they fall, and where each came from."""

    clock: Clock
    readout: Readout
    flights: list[Flight]
    tracks: list[Track]
    refused: list[Refused]
    fall: Fall | None
    every_flight: bool
    cadence: Cadence | None = None


@dataclasses.dataclass(frozen=True, slots=True)
class Conclusion:
    """What the flights of a clip came to."""

    shots: tuple[Shot, ...] = ()
    scale: Scale | None = None
    doubts: tuple[Doubt, ...] = ()
    moved: tuple[Moved, ...] = ()
    verdict: str = ""


def measure(
    path: Path,
    setup: Setup,
    *,
    start_s: float | None = None,
    end_s: float | None = None,
    every_flight: bool = False,
    progress: Callable[[int, int], None] | None = None,
    child: Child | None = None,
) -> Measured:
    """Measure one clip.

    Parameters
    ----------
    path : Path
    setup : Setup
    start_s, end_s : float, optional
        Part of the film, in its own seconds.
    every_flight : bool
        Whether rebounds and other free flights are measured like shots.
    progress : callable, optional
        Hears of frames done and in all.
    child : Child, optional
        A process that was started beforehand; else one is started.

    Raises
    ------
    PlainError
        If the clip cannot be read, or setup and clip do not fit together.
    """
    hint = BallHint(setup.ball.colour, _radius_px(setup))
    board = None if setup.board is None else setup.board.board
    viewing = Viewing(path, hint, start_s, end_s, board, 0.5 * setup.ball.diameter_m)
    with child or Child() as process:
        seen = process.run(
            viewing,
            seconds=SILENCE_S,
            memory_bytes=CHILD_MEMORY_BYTES,
            on_progress=progress,
            meanwhile=get_ready,
        )
    scene = _look(seen, setup)
    timed = _time(scene, every_flight=every_flight)
    warnings = doubts.film_doubts(timed.readout, timed.clock, seen.lost)
    warnings += doubts.steadiness_doubts(seen.steady)
    warnings += doubts.launcher_doubts(
        timed.flights, timed.refused, exit_stated=setup.launcher.exit_px is not None
    )
    if timed.cadence is not None:
        warnings.append(warn("uneven_frames", taken=timed.cadence.taken, kept=timed.cadence.kept))
    if timed.fall is None:
        warnings.append(warn("no_shot_found"))
    end = Conclusion() if timed.fall is None else _conclude(scene, timed, timed.fall)
    return Measured(
        clip=path.name,
        sha256=fingerprint(path),
        frames=seen.frames,
        picture=seen.facts.picture,
        clock=timed.clock,
        scale=end.scale,
        warnings=(*warnings, *end.doubts),
        shots=end.shots,
        refused=tuple(
            f"frames {r.first_frame} to {r.last_frame}: {r.reason}"
            for r in sorted(timed.refused, key=lambda r: r.first_frame)
        ),
        moved=end.moved,
        verdict=end.verdict,
    )


def _radius_px(setup: Setup) -> float | None:
    """Radius of the ball in the picture, as far as the reference tells."""
    reference = setup.reference
    if reference is None:
        return None
    span_px = float(np.hypot(*(reference.points_px[1] - reference.points_px[0])))
    if reference.length_m is not None:
        span_m = reference.length_m
    else:
        assert reference.points_m is not None
        span_m = float(np.hypot(*(reference.points_m[1] - reference.points_m[0])))
    return 0.5 * setup.ball.diameter_m * span_px / span_m


def _look(seen: Seen, setup: Setup) -> Scene:
    """Bring sightings and reference into the pixels of an ideal camera that stands still."""
    s, picture = seen.sightings, seen.facts.picture
    lens = None if setup.camera.lens_file is None else read_lens(setup.camera.lens_file)
    sight = Sight.of(picture, lens, seen.steady)
    stored = np.stack([s.x_px, s.y_px], axis=1)
    pointed_in = 0 if setup.reference is None else setup.reference.frame
    camera = camera_prior(
        picture,
        setup.reference,
        setup.camera,
        straighten=lambda points: sight.ideal_from_upright(pointed_in, points),
        focal_px=sight.focal_px,
        centre_px=sight.centre_px,
        board=_board(seen, sight, setup.board),
    )
    return Scene(
        setup=setup,
        seen=seen,
        sightings=dataclasses.replace(s, u_px=np.hypot(s.u_px, sight.u_steady_px(s.frame, stored))),
        sight=sight,
        camera=camera,
        assumed=assume(setup.ball, setup.room),
        stored_px=stored,
        upright_px=picture.to_upright(stored),
        ideal_px=sight.ideal(s.frame, stored),
    )


def _board(
    seen: Seen, sight: Sight, standing: StandingBoard | None
) -> tuple[StandingBoard, PlanePoints] | None:
    """The board's points from all pictures it was seen in, straightened and steadied."""
    if standing is None:
        return None
    ideal = []
    for frame, sighting in seen.boards:
        corners = sight.ideal(np.full(4 * len(sighting.marker), frame), sighting.corners_px.reshape(-1, 2))
        centres = sight.ideal(np.full(len(sighting.marker), frame), sighting.centres_px)
        moved = dataclasses.replace(sighting, corners_px=corners.reshape(-1, 4, 2), centres_px=centres)
        ideal.append(moved)
    return standing, plane_points(ideal, standing.board)


def _time(scene: Scene, *, every_flight: bool) -> Timed:
    """Set the clock, find the free flights, and hear from their fall whether the clock is right."""
    facts, stated = scene.seen.facts, scene.setup.camera.capture_fps
    grid = find_grid(facts.file_time_s, facts.tick_s)
    cadence = _cadence(scene, grid) if grid.interval_s > SLOW_FILM_S else None
    if cadence is not None:
        grid = with_cadence(grid, cadence)
    clock = set_clock(grid, stated_fps=stated, tag_fps=facts.capture_fps_tag)
    radius_m = 0.5 * scene.setup.ball.diameter_m
    tracks = follow(scene.sightings, grid.interval_s, grid.time_s, ball_radius_m=radius_m)
    timed = _hear(scene, clock, tracks, every_flight=every_flight)
    rate = _other_rate(grid, clock, timed.fall)
    if rate is not None:
        timed = _hear(scene, clock_at(grid, rate, "fall"), tracks, every_flight=every_flight)
    return dataclasses.replace(timed, cadence=cadence)


def _cadence(scene: Scene, grid: Grid) -> Cadence | None:
    """Whether frames were left out and the rest spaced evenly, as the motion in the film tells it."""
    frames, places = clearest_moves(scene.sightings)
    return find_cadence(frames, places, len(grid.time_s))


def _hear(scene: Scene, clock: Clock, tracks: list[Track], *, every_flight: bool) -> Timed:
    """Free flights with this clock, and how they fall."""
    setup, sightings = scene.setup, scene.sightings
    readout = readout_of(setup.camera.readout_s, 1 / clock.capture_fps)
    flights, refused = free_flights(
        [t.rows for t in tracks], sightings, clock.frame_time_s, scene.seen.facts.picture, scene.ideal_px
    )
    exit_px = _ideal_exit(scene)
    if not every_flight:
        first = [int(sightings.frame[f.rows[0]]) for f in flights]
        chosen, others = choose(flights, exit_px, first)
        flights, refused = [flights[i] for i in chosen], refused + others
    if not flights:
        return Timed(clock, readout, [], tracks, refused, None, every_flight)
    if exit_px is None:
        flights = [clear_of_launcher(f, sightings) for f in flights]
    fall, flights = hear_fall(
        flights,
        scene.camera,
        readout,
        scene.assumed,
        own_planes=every_flight and scene.camera.source == "none",
        exit_stated=exit_px is not None,
    )
    return Timed(clock, readout, flights, tracks, refused, fall, every_flight)


def _ideal_exit(scene: Scene) -> Floats | None:
    """Where the setup says the ball leaves the launcher, in ideal pixels, (2,)."""
    stated = scene.setup.launcher.exit_px
    if stated is None:
        return None
    frame = 0 if scene.setup.reference is None else scene.setup.reference.frame
    return np.asarray(scene.sight.ideal_from_upright(frame, np.array([stated]))[0])


def _other_rate(grid: Grid, clock: Clock, fall: Fall | None) -> float | None:
    """The fall's own opinion of the rate, where nobody better was asked."""
    if fall is None or clock.source != "container" or fall.u_ln_ratio > doubts.VAGUE_FALL:
        return None
    return rate_from_fall(grid, clock, float(np.exp(fall.ln_ratio)), fall.u_ln_ratio)


def _judged(fall: Fall, source: str) -> Verdict | None:
    """The second opinions taken together; none where the ball itself carries the scale."""
    if source == "none":
        return None
    heard = hear(fall.settled)
    return verdict(heard.opinions, heard.causes)


def _conclude(scene: Scene, timed: Timed, fall: Fall) -> Conclusion:
    """The one adjustment, and everything that is said about its shots."""
    clock, camera = timed.clock, scene.camera
    judged = _judged(fall, camera.source)
    found = doubts.agreement_doubts(clock, camera.source, fall, judged)
    codes = {doubt.code for doubt in found}
    size = 0.0 if judged is None or judged.best is None else float(np.abs(judged.best.size).max())
    if "yaw_suspected" in codes:
        camera = loosened(camera, size)
    settled = adjust(
        timed.flights,
        camera,
        timed.readout,
        scene.assumed,
        gravity_helps=not codes & {"clock_disagrees", "scale_disagrees", "lens_unknown"},
        own_planes=fall.settled.problem.own_planes,
        like=fall.settled,
        u_aside_m_s=size if "out_of_plane" in codes else None,
    )
    rows = np.concatenate([flight.rows for flight in settled.problem.flights])
    lens_errors = scene.sight.lens_errors(scene.sightings.frame[rows], scene.stored_px[rows])
    spread = Spread(settled, lens_errors)
    stated, flights = _ideal_exit(scene), timed.flights
    together = stated is None and not timed.every_flight
    exits = shared_exit(flights) if together else [stated] * len(flights)
    shots: list[Shot] = []
    m_per_px, tilt = scale_numbers(settled, spread)
    for k, (flight, launch) in enumerate(
        zip(flights, launches(settled, spread, exits, clock.u_rate), strict=True)
    ):
        track = next(t for t in timed.tracks if np.isin(flight.rows, t.rows).all())
        shot = make_shot(
            settled,
            launch,
            k,
            free_g=fall.gravity[k],
            m_per_px=m_per_px,
            track_rows=track.rows,
            sightings=scene.sightings,
            upright_px=scene.upright_px,
            exit_stated=stated is not None,
        )
        shot = _with_spin(shot, scene, settled, spread, k, u_rate=clock.u_rate)
        shots.append(_with_launcher(shot, scene.setup))
        found += doubts.shot_doubts(k + 1, flight, scene.sightings)
    source = "ball" if camera.source == "none" else camera.source
    return Conclusion(
        shots=tuple(shots),
        scale=Scale(m_per_px, tilt, source),
        doubts=tuple(found),
        moved=what_moved(fall, settled, spread, shots, exits, clock.u_rate),
        verdict="" if judged is None else in_words(judged),
    )


def _with_spin(shot: Shot, scene: Scene, settled: Settled, spread: Spread, k: int, *, u_rate: float) -> Shot:
    """The shot with the spin that marks on the ball show, where they can be read."""
    flight, picture = settled.problem.flights[k], scene.seen.facts.picture
    if len(scene.sightings.strips) == 0:
        return shot
    radius_m, decay_s = scene.assumed.radius_m, scene.assumed.spin_decay_s
    of_focal = np.zeros(settled.problem.size)
    of_focal[[LOG_SCALE, LOG_DEPTH]] = 1.0
    u_ln_focal = float(np.linalg.norm(list(spread.of(of_focal).values())))
    view = View.through(settled.theta, scene.camera.view, u_ln_focal, picture, scene.ideal_px[flight.rows])
    read = spin_from_marks(
        scene.sightings.strips[flight.rows],
        shot.path.t_s,
        flight.radius_px,
        flight.sense,
        picture_mirrored=picture.mirrored,
        view=view,
        # The share of a lift that brakes the spin is known to be small, not how small.
        decay=Decay(1 / decay_s, 1 / decay_s),
        at_s=shot.exit_time_s.value,
        most_rad_s=FASTEST_SPIN_PARAMETER * shot.exit_speed_m_s.value / radius_m,
        likely_rad_s=likely_spin(shot.spin_rad_s),
        u_rate=u_rate,
        clear=shot.path.used & (scene.sightings.visible[flight.rows] > CLEAR_VISIBLE),
    )
    return with_marks(shot, read)


def _with_launcher(shot: Shot, setup: Setup) -> Shot:
    """The shot beside what the launcher was set to and designed for."""
    speed, angle, spin = shot.exit_speed_m_s, shot.exit_angle_rad, shot.spin_rad_s
    return dataclasses.replace(
        shot,
        wheel_budget=wheel_budget(setup.launcher, setup.ball, speed, spin),
        design=design_check(setup.design, setup.launcher, setup.ball, speed, angle, spin),
    )
