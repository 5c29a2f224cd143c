"""The first layout, where the line of steps begins: no book is older, so nothing is done here."""

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Leave the book as it is: it has this layout from its making."""
