"""Version 1: sessions, clips, measurements and shots; a shot could be left out without a reason."""

import sqlalchemy as sa
from alembic import op

revision = "1"
down_revision = None
branch_labels = None
depends_on = None

_NUMBERS = (
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
_SETTINGS = (
    "wheel_speed_rad_s",
    "second_wheel_speed_rad_s",
    "gap_entry_m",
    "gap_exit_m",
    "deflector_angle_rad",
)


def upgrade() -> None:
    """From nothing to version 1."""
    op.create_table(
        "sessions",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("created", sa.String(32), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_sessions"),
        sa.UniqueConstraint("name", name="uq_sessions_name"),
    )
    op.create_table(
        "clips",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("session_id", sa.Integer, nullable=False),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_clips"),
        sa.ForeignKeyConstraint(["session_id"], ["sessions.id"], name="fk_clips_session_id"),
        sa.UniqueConstraint("session_id", "sha256", name="uq_clips_session_id_sha256"),
    )
    op.create_index("ix_clips_session_id", "clips", ["session_id"])
    _measurements()
    _shots()


def _measurements() -> None:
    op.create_table(
        "measurements",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("clip_id", sa.Integer, nullable=False),
        sa.Column("measured_at", sa.String(32), nullable=False),
        sa.Column("superseded_at", sa.String(32)),
        sa.Column("program_version", sa.String(64), nullable=False),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("setup_hash", sa.String(64), nullable=False),
        sa.Column("setup_text", sa.Text, nullable=False),
        sa.Column("how", sa.Text, nullable=False),
        sa.Column("calibration", sa.String(16), nullable=False),
        sa.Column("frames", sa.Integer, nullable=False),
        sa.Column("width_px", sa.Integer, nullable=False),
        sa.Column("height_px", sa.Integer, nullable=False),
        sa.Column("quarter_turns", sa.Integer, nullable=False),
        sa.Column("mirrored", sa.Boolean, nullable=False),
        sa.Column("capture_fps", sa.Double),
        sa.Column("stretch", sa.Double),
        sa.Column("clock_source", sa.String(64), nullable=False),
        sa.Column("m_per_px", sa.Double),
        sa.Column("u_random_m_per_px", sa.Double),
        sa.Column("u_common_m_per_px", sa.Double),
        sa.Column("scale_source", sa.String(64)),
        sa.Column("warnings", sa.Text, nullable=False),
        sa.Column("shots", sa.Integer, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_measurements"),
        sa.ForeignKeyConstraint(["clip_id"], ["clips.id"], name="fk_measurements_clip_id"),
    )
    op.create_index("ix_measurements_clip_id", "measurements", ["clip_id"])
    standing = sa.text("superseded_at IS NULL")
    op.create_index(
        "uq_measurements_current",
        "measurements",
        ["clip_id"],
        unique=True,
        sqlite_where=standing,
        postgresql_where=standing,
    )
    op.create_table(
        "measurement_details",
        sa.Column("measurement_id", sa.Integer, nullable=False),
        sa.Column("measured", sa.LargeBinary, nullable=False),
        sa.Column("setup", sa.LargeBinary, nullable=False),
        sa.PrimaryKeyConstraint("measurement_id", name="pk_measurement_details"),
        sa.ForeignKeyConstraint(
            ["measurement_id"], ["measurements.id"], name="fk_measurement_details_measurement_id"
        ),
    )


def _shots() -> None:
    parts = ("", "u_random_", "u_common_")
    op.create_table(
        "shots",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("measurement_id", sa.Integer, nullable=False),
        sa.Column("shot", sa.Integer, nullable=False),
        sa.Column("direction", sa.String(16), nullable=False),
        sa.Column("spin_source", sa.String(16), nullable=False),
        sa.Column("sightings", sa.Integer, nullable=False),
        sa.Column("chi2_per_dof", sa.Double),
        sa.Column("flags", sa.Text, nullable=False),
        *(sa.Column(f"{part}{number}", sa.Double) for number in _NUMBERS for part in parts),
        *(sa.Column(setting, sa.Double) for setting in _SETTINGS),
        sa.Column("floats", sa.LargeBinary, nullable=False),
        sa.Column("left_out_at", sa.String(32)),
        sa.PrimaryKeyConstraint("id", name="pk_shots"),
        sa.ForeignKeyConstraint(["measurement_id"], ["measurements.id"], name="fk_shots_measurement_id"),
        sa.UniqueConstraint("measurement_id", "shot", name="uq_shots_measurement_id_shot"),
    )
    op.create_table(
        "shot_details",
        sa.Column("shot_id", sa.Integer, nullable=False),
        sa.Column("shot", sa.LargeBinary, nullable=False),
        sa.PrimaryKeyConstraint("shot_id", name="pk_shot_details"),
        sa.ForeignKeyConstraint(["shot_id"], ["shots.id"], name="fk_shot_details_shot_id"),
    )
