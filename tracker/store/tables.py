"""The tables of the launch log, as its newest version has them.

A row of ``measurements`` or ``shots`` is an extract, for lists and columns; what was measured stands
whole in the ``..._details`` beside it, apart so that reading columns does not drag it along. The
numbers of a shot stand in columns of their own for any tool that speaks SQL, and once more as one
run of bytes (``FLOATS``, float64, least byte first, NaN for none), because 39 values a row are slow.
Times are ISO 8601 text in UTC, which sorts by date in every database.
"""

from __future__ import annotations

from sqlalchemy import (
    Boolean,
    CheckConstraint,
    Column,
    Double,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
    text,
)

NUMBERS = (
    "exit_time_s",
    "exit_x_m",
    "exit_z_m",
    "exit_speed_m_s",
    "exit_angle_rad",
    "spin_rad_s",
    "drag_coefficient",
    "lift_coefficient",
    "free_g_m_s2",
    "ball_diameter_m",
)
SETTINGS = (
    "wheel_speed_rad_s",
    "second_wheel_speed_rad_s",
    "gap_entry_m",
    "gap_exit_m",
    "deflector_angle_rad",
)
ONWARD = ("reference_x_m", "speed_per_m", "angle_rad_per_m")
PARTS = ("", "u_random_", "u_common_")
FLOATS = (
    *(f"{part}{number}" for number in NUMBERS for part in PARTS),
    *SETTINGS,
    "chi2_per_dof",
    *ONWARD,
)

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
    }
)

sessions = Table(
    "sessions",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("name", Text, nullable=False, unique=True),
    Column("created", String(32), nullable=False),
)

clips = Table(
    "clips",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("session_id", ForeignKey("sessions.id"), nullable=False, index=True),
    Column("sha256", String(64), nullable=False),
    UniqueConstraint("session_id", "sha256"),
)

measurements = Table(
    "measurements",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("clip_id", ForeignKey("clips.id"), nullable=False, index=True),
    Column("measured_at", String(32), nullable=False),
    Column("superseded_at", String(32)),
    Column("program_version", String(64), nullable=False),
    Column("name", Text, nullable=False),
    Column("setup_hash", String(64), nullable=False),
    Column("setup_text", Text, nullable=False),
    Column("how", Text, nullable=False),
    Column("calibration", String(16), nullable=False),
    Column("frames", Integer, nullable=False),
    Column("width_px", Integer, nullable=False),
    Column("height_px", Integer, nullable=False),
    Column("quarter_turns", Integer, nullable=False),
    Column("mirrored", Boolean, nullable=False),
    Column("capture_fps", Double),
    Column("stretch", Double),
    Column("clock_source", String(64), nullable=False),
    Column("m_per_px", Double),
    Column("u_random_m_per_px", Double),
    Column("u_common_m_per_px", Double),
    Column("scale_source", String(64)),
    Column("warnings", Text, nullable=False),
    Column("shots", Integer, nullable=False),
)
Index(
    "uq_measurements_current",
    measurements.c.clip_id,
    unique=True,
    sqlite_where=text("superseded_at IS NULL"),
    postgresql_where=text("superseded_at IS NULL"),
)

measurement_details = Table(
    "measurement_details",
    metadata,
    Column("measurement_id", ForeignKey("measurements.id"), primary_key=True),
    Column("measured", LargeBinary, nullable=False),
    Column("setup", LargeBinary, nullable=False),
)

shots = Table(
    "shots",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("measurement_id", ForeignKey("measurements.id"), nullable=False),
    Column("shot", Integer, nullable=False),
    Column("direction", String(16), nullable=False),
    Column("spin_source", String(16), nullable=False),
    Column("sightings", Integer, nullable=False),
    Column("chi2_per_dof", Double),
    Column("flags", Text, nullable=False),
    *(Column(f"{part}{number}", Double) for number in NUMBERS for part in PARTS),
    *(Column(setting, Double) for setting in SETTINGS),
    *(Column(name, Double) for name in ONWARD),
    Column("floats", LargeBinary, nullable=False),
    UniqueConstraint("measurement_id", "shot"),
)

shot_details = Table(
    "shot_details",
    metadata,
    Column("shot_id", ForeignKey("shots.id"), primary_key=True),
    Column("shot", LargeBinary, nullable=False),
)

exclusions = Table(
    "exclusions",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("shot_id", ForeignKey("shots.id"), nullable=False, index=True),
    Column("reason", Text, nullable=False),
    Column("excluded_at", String(32), nullable=False),
    Column("taken_back_at", String(32)),
    Column("carried", Boolean, nullable=False),
)
Index(
    "uq_exclusions_standing",
    exclusions.c.shot_id,
    unique=True,
    sqlite_where=text("taken_back_at IS NULL"),
    postgresql_where=text("taken_back_at IS NULL"),
)

notes = Table(
    "notes",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("noted_for", String(32), nullable=False, index=True),
    Column("kind", String(32), nullable=False),
    Column("text", Text, nullable=False),
    CheckConstraint("length(kind) > 0", name="kind_said"),
)
