"""The first tables."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "media",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("size", sa.Integer(), nullable=False),
        sa.Column("duration_s", sa.Double(), nullable=True),
        sa.Column("has_picture", sa.Boolean(), nullable=False),
        sa.Column("playable", sa.String(length=20), nullable=False),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("sha256"),
    )
    op.create_table(
        "outgoing",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("at", sa.String(length=32), nullable=False),
        sa.Column("breakdown_ids", sa.Text(), nullable=False),
        sa.Column("player_ids", sa.Text(), nullable=False),
        sa.Column("path", sa.Text(), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_table(
        "player",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("number", sa.String(length=20), nullable=False),
        sa.Column("team", sa.Text(), nullable=False),
        sa.Column("consent", sa.Text(), nullable=False),
        sa.Column("consent_date", sa.String(length=10), nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_table(
        "setting",
        sa.Column("key", sa.String(length=60), nullable=False),
        sa.Column("value", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("key"),
    )
    op.create_table(
        "breakdown",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("created", sa.String(length=32), nullable=False),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("date", sa.String(length=10), nullable=False),
        sa.Column("team", sa.Text(), nullable=False),
        sa.Column("occasion", sa.String(length=20), nullable=False),
        sa.Column("focus", sa.Text(), nullable=False),
        sa.Column("narration_id", sa.String(length=32), nullable=True),
        sa.Column("clip_id", sa.String(length=32), nullable=True),
        sa.Column("machine", sa.Text(), nullable=False),
        sa.Column("reread", sa.Text(), nullable=False),
        sa.Column("words_key", sa.String(length=64), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("rows", sa.Integer(), nullable=False),
        sa.Column("to_look_at", sa.Integer(), nullable=False),
        sa.Column("options", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(
            ["clip_id"],
            ["media.id"],
        ),
        sa.ForeignKeyConstraint(
            ["narration_id"],
            ["media.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("breakdown_by_date", "breakdown", ["date"], unique=False)
    op.create_table(
        "correction",
        sa.Column("seq", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("breakdown_id", sa.String(length=32), nullable=False),
        sa.Column("content", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(
            ["breakdown_id"],
            ["breakdown.id"],
        ),
        sa.PrimaryKeyConstraint("seq"),
        sa.UniqueConstraint("id"),
    )
    op.create_index("correction_by_breakdown", "correction", ["breakdown_id", "seq"], unique=False)
    op.create_table(
        "job",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("created", sa.String(length=32), nullable=False),
        sa.Column("breakdown_id", sa.String(length=32), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("step", sa.Text(), nullable=False),
        sa.Column("done", sa.Double(), nullable=False),
        sa.Column("total", sa.Double(), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("worker", sa.String(length=64), nullable=False),
        sa.Column("beat", sa.String(length=32), nullable=False),
        sa.Column("error", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["breakdown_id"],
            ["breakdown.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
