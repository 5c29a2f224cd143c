"""What is written about a job in free words; loads without numpy, for the forms of a command."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Annotated

from msgspec import Meta


@dataclass(frozen=True, slots=True, kw_only=True)
class JobWords:
    """
    Each is a field of `Job` and a column of the book.

    Book, parcels, search, command line and page ask for these fields, so that another one is added
    here and to the layout (`jobbook/tables.py` and a step in `jobbook/migrations.py`) alone.
    """

    owner: Annotated[
        str, Meta(max_length=1000, description="Whose set it is.", extra={"label": "Owner"})
    ] = ""
    complaint: Annotated[
        str,
        Meta(
            max_length=4000,
            description="The complaint in the owner's words.",
            extra={"label": "Complaint"},
        ),
    ] = ""


JOB_WORDS = tuple(field.name for field in dataclasses.fields(JobWords))
