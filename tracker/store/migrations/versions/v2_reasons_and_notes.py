"""Version 2: a shot is excluded with a reason and that can be taken back; notes on the timeline."""

import sqlalchemy as sa
from alembic import op

revision = "2"
down_revision = "1"
branch_labels = None
depends_on = None

REASON_UNKNOWN = "left out before reasons were kept"


def upgrade() -> None:
    """From version 1 to version 2; what was left out stays out, with the date it had."""
    op.create_table(
        "notes",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("noted_for", sa.String(32), nullable=False),
        sa.Column("kind", sa.String(32), nullable=False),
        sa.Column("text", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_notes"),
        sa.CheckConstraint("length(kind) > 0", name=op.f("ck_notes_kind_said")),
    )
    op.create_index("ix_notes_noted_for", "notes", ["noted_for"])

    left_out = op.get_bind().execute(
        sa.text("SELECT id, left_out_at FROM shots WHERE left_out_at IS NOT NULL ORDER BY left_out_at, id")
    )
    rows = [
        {"shot_id": row.id, "reason": REASON_UNKNOWN, "excluded_at": row.left_out_at, "carried": False}
        for row in left_out
    ]
    with op.batch_alter_table("shots") as shots:
        shots.drop_column("left_out_at")

    exclusions = op.create_table(
        "exclusions",
        sa.Column("id", sa.Integer, nullable=False),
        sa.Column("shot_id", sa.Integer, nullable=False),
        sa.Column("reason", sa.Text, nullable=False),
        sa.Column("excluded_at", sa.String(32), nullable=False),
        sa.Column("taken_back_at", sa.String(32)),
        sa.Column("carried", sa.Boolean, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_exclusions"),
        sa.ForeignKeyConstraint(["shot_id"], ["shots.id"], name="fk_exclusions_shot_id"),
    )
    op.create_index("ix_exclusions_shot_id", "exclusions", ["shot_id"])
    standing = sa.text("taken_back_at IS NULL")
    op.create_index(
        "uq_exclusions_standing",
        "exclusions",
        ["shot_id"],
        unique=True,
        sqlite_where=standing,
        postgresql_where=standing,
    )
    op.bulk_insert(exclusions, rows)
