"""Version 3: how a flight goes on from its exit, to tell shots of several clips at one place."""

import struct

import sqlalchemy as sa
from alembic import op

revision = "3"
down_revision = "2"
branch_labels = None
depends_on = None

_ONWARD = ("reference_x_m", "speed_per_m", "angle_rad_per_m")
_BEFORE = 36  # numbers in ``floats`` up to version 2


def upgrade() -> None:
    """From version 2 to version 3; of older measurements it is not known."""
    with op.batch_alter_table("shots") as shots:
        for name in _ONWARD:
            shots.add_column(sa.Column(name, sa.Double))
    table = sa.table("shots", sa.column("id", sa.Integer), sa.column("floats", sa.LargeBinary))
    unknown = struct.pack(f"<{len(_ONWARD)}d", *[float("nan")] * len(_ONWARD))
    kept = op.get_bind().execute(sa.select(table.c.id, table.c.floats)).all()
    for row in kept:
        longer = bytes(row.floats)[: 8 * _BEFORE] + unknown
        op.execute(sa.update(table).where(table.c.id == row.id).values(floats=longer))
