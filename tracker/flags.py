"""Doubt as a value: every warning and flag the program can give, in one registry.

A *warning* belongs to a clip, a *flag* to a shot, a *remark* to a launcher's setting. Each has a stable
code, one sentence and one piece of advice; the sentences may hold fields that are filled in when one
is raised.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Doubt:
    """One thing that may be wrong with a measurement, as a person and a machine read it."""

    code: str
    message: str
    advice: str


@dataclass(frozen=True, slots=True)
class Entry:
    """A registered doubt: sentence and advice with fields in braces."""

    message: str
    advice: str


WARNINGS: dict[str, Entry] = {
    "no_shot_found": Entry(
        "No ball in free flight was found in this clip.",
        "Check that the ball's colour in the setup is right and that the whole flight is in the picture.",
    ),
    "clock_stretched": Entry(
        "The file plays {stretch:.3g} times slower than life; times were divided by that.",
        "Nothing to do if it was filmed at {fps:.4g} frames a second; else state it with --capture-fps.",
    ),
    "clock_from_fall": Entry(
        "The file does not say how fast it was filmed; the fall of the ball says {fps:.4g} frames a second.",
        "State the true rate with --capture-fps to be sure.",
    ),
    "clock_disagrees": Entry(
        "With these frame times the ball falls at {g:.3g} m/s2, as if time ran {ratio:.3g} times too slowly.",
        "Check how the clip was shared, and state the true rate with --capture-fps.",
    ),
    "scale_disagrees": Entry(
        "The fall says that lengths are {ratio:.3f} times what the reference says; the reference was kept.",
        "Measure the reference again, and check that it stands in the plane of flight.",
    ),
    "plane_disagrees": Entry(
        "The ball looks {ratio:.3f} times as large as it should where the reference puts it.",
        "Put the reference into the plane in which the ball flies, or state its offset.",
    ),
    "ball_disagrees": Entry(
        "The ball looks {ratio:.3f} times as large as stated, though it falls as the reference wants it.",
        "Measure across the ball again.",
    ),
    "yaw_suspected": Entry(
        "The path bends as if the camera were turned by {yaw_deg:.1f} degrees to the plane of flight.",
        "Stand square to the flight, or give four reference points of known position.",
    ),
    "camera_moved": Entry(
        "The picture moved by up to {move_px:.1f} px during the clip.",
        "Put the phone on a tripod or lean it against something that does not shake.",
    ),
    "lens_unknown": Entry(
        "The picture seems bent by a wide lens, and no lens file was given.",
        "Film with the 1x lens, or make a lens file from pictures of a board.",
    ),
    "readout_unknown": Entry(
        "How long the camera takes to read one picture is not stated; half a frame was assumed.",
        "State the readout in the setup if you know it; the uncertainty includes what this may cost.",
    ),
    "launcher_guessed": Entry(
        "As many flights ({others}) begin elsewhere as where the launcher's exit was taken to be.",
        "Give exit_px in the setup to say where the launcher's exit is.",
    ),
    "few_sightings": Entry(
        "Shot {shot} was seen only {sightings} times in free flight.",
        "Film at a higher frame rate or from farther away, so that more of the flight is in the picture.",
    ),
    "long_streaks": Entry(
        "The ball is drawn out to {ratio:.1f} times its diameter.",
        "Use more light or a shorter shutter time.",
    ),
    "out_of_plane": Entry(
        "The ball of shot {shot} seems to move toward or away from the camera at {speed_m_s:.2f} m/s.",
        "Stand so that the launcher throws across the picture.",
    ),
    "interpolated_frames": Entry(
        "Every other picture looks made up from its neighbours.",
        "Film in a mode whose frames are all taken by the sensor.",
    ),
    "scale_from_ball": Entry(
        "No reference was given; the ball's own diameter carries the scale.",
        "Give a known length in the plane of flight for a smaller uncertainty.",
    ),
    "scale_from_fall": Entry(
        "No reference was given; the fall of the ball carries the scale.",
        "Give a known length in the plane of flight.",
    ),
    "uneven_frames": Entry(
        "The film seems made of {taken} frames by keeping {kept}, spaced evenly; true times were restored.",
        "Film at the rate at which you keep the clip, and copy the original.",
    ),
    "film_damaged": Entry(
        "{lost} of the clip's pictures could not be decoded and were left out.",
        "Copy the clip from the phone again.",
    ),
    "frames_missing": Entry(
        "{lost} frames are missing from the recording; the gaps were kept.",
        "Free space on the phone and let it cool; what was measured is still right.",
    ),
}

FLAGS: dict[str, Entry] = {
    "exit_is_first_sighting": Entry(
        "The exit is taken to be the first sighting in free flight.",
        "Give exit_px in the setup to say where the exit is.",
    ),
    "cut_by_picture": Entry(
        "The flight leaves the picture before anything is touched.",
        "Film from farther away to see the whole flight.",
    ),
    "ends_at_contact": Entry("The flight ends at a contact.", "Nothing to do."),
    "poor_fit": Entry(
        "The flight model fits this shot worse than its sightings should allow.",
        "Look at the residual picture; something may have touched the ball.",
    ),
    "partly_hidden": Entry(
        "Some sightings were partly hidden and were left out.",
        "Nothing to do unless there are few others.",
    ),
    "spin_unbounded": Entry(
        "The lift is as large as the lift law allows, so the spin has no upper bound.",
        "Put marks on the ball to see its spin.",
    ),
    "spin_disagrees": Entry(
        "The marks show another spin than the lift speaks of; the marks were believed.",
        "Look whether the ball is smooth or damaged, and whether the flight is square to the camera.",
    ),
    "spin_alias": Entry(
        "The marks look the same after a part of a turn, so that several spins fit the pictures.",
        "Mark the ball with three or more unequal dots, unevenly spaced, or film at a higher frame rate.",
    ),
}

REMARKS: dict[str, Entry] = {
    "gap_uneven": Entry(
        "The gap changes by {change_mm:.1f} mm from entry to exit.",
        "Set the backing to the same distance from the wheel at both ends.",
    ),
    "gap_too_wide": Entry(
        "The gap is wider than the ball, so the wheel hardly grips it.",
        "Close the gap until the ball is squeezed by about a tenth of its diameter.",
    ),
    "squeeze_light": Entry(
        "The ball is squeezed by only {percent:.0f} % of its diameter and may slip.",
        "Close the gap until the ball is squeezed by about a tenth of its diameter.",
    ),
    "squeeze_hard": Entry(
        "The ball is squeezed by {percent:.0f} % of its diameter, which wears it and brakes the wheel.",
        "Open the gap until the ball is squeezed by about a tenth of its diameter.",
    ),
}


def remark(code: str, **fields: object) -> Doubt:
    """The remark on a launcher's setting with this code, its fields filled in."""
    entry = REMARKS[code]
    return Doubt(code, entry.message.format(**fields), entry.advice.format(**fields))


def warn(code: str, **fields: object) -> Doubt:
    """The warning with this code, its fields filled in."""
    entry = WARNINGS[code]
    return Doubt(code, entry.message.format(**fields), entry.advice.format(**fields))
