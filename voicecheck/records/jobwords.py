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
    contact: Annotated[
        str,
        Meta(
            max_length=1000,
            description="Where the owner is reached.",
            extra={"label": "Contact"},
        ),
    ] = ""
    promised: Annotated[
        str,
        Meta(
            max_length=40,
            description="The day it is promised for, as 2031-05-04.",
            extra={"label": "Promised for"},
        ),
    ] = ""
    used_on: Annotated[
        str,
        Meta(
            max_length=1000,
            description="What it will be used on: a line of the network, an adapter, a display.",
            extra={"label": "Used on"},
        ),
    ] = ""
    keep_parts: Annotated[
        str,
        Meta(
            max_length=1000,
            description="Parts that are to stay, or to be handed back.",
            extra={"label": "Parts to keep"},
        ),
    ] = ""
    language: Annotated[
        str,
        Meta(
            max_length=20,
            description="Of the owner's papers: en, de, fr, es, nl, or as es-MX.",
            extra={"label": "Language"},
        ),
    ] = ""


JOB_WORDS = tuple(field.name for field in dataclasses.fields(JobWords))
PERSONAL_WORDS = ("owner", "contact")
"""Those that say who somebody is."""
