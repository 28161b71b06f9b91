"""What people note on foot."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "upkeep",
        sa.Column("kind", sa.String(200), primary_key=True),
        sa.Column("subject", sa.String(200), primary_key=True),
        sa.Column("version", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("who", sa.String(100), nullable=False),
        sa.Column("body", sa.Text, nullable=False),
    )
