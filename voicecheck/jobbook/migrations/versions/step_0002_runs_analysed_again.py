"""Runs analysed again point to the run that they stand for; imports know a job by its mark."""

from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Add the columns and their indices; the same words on both databases."""
    op.execute(
        "ALTER TABLE run ADD COLUMN origin_id INTEGER "
        "CONSTRAINT fk_run_origin_id_run REFERENCES run (id)"
    )
    op.create_index("ix_run_origin_id", "run", ["origin_id"])
    op.execute("ALTER TABLE job ADD COLUMN mark TEXT")
    op.create_index("ix_job_mark", "job", ["mark"])
