"""How a launch log becomes a newer one: one file a version, run by Alembic inside one transaction."""
