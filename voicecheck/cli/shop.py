"""`shop`: who does the work, said once for every paper."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from voicecheck.cli.common import Book, Json, Quiet, tell, write_json, write_text


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command("shop")(say_shop)


def say_shop(
    name: Annotated[str | None, typer.Option(help="The shop's name.")] = None,
    address: Annotated[
        list[str] | None,
        typer.Option(metavar="LINE", help="A line of its address (may be repeated)."),
    ] = None,
    sign: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Its sign, PNG or SVG; made harmless.")
    ] = None,
    no_sign: Annotated[bool, typer.Option("--no-sign", help="Take the sign away.")] = False,
    book: Book = None,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Say the shop's name, address and sign once, for every paper; alone it shows them."""
    import dataclasses

    from voicecheck.records import to_document
    from voicecheck.workflow.books import open_book
    from voicecheck.workflow.papers.sign import read_sign

    changes: dict[str, str] = {}
    if name is not None:
        changes["name"] = name
    if address is not None:
        changes["address"] = "\n".join(address)
    if sign is not None or no_sign:
        changes["sign"] = read_sign(sign) if sign is not None else ""
    with open_book(book) as opened:
        shop = dataclasses.replace(opened.load_shop(), **changes)
        if changes:
            opened.save_shop(shop)
    if as_json:
        write_json(to_document(shop))
        return
    if changes:
        tell("Kept; it stands on every paper from now on.", quiet=quiet)
    else:
        told = [*shop.letterhead, "with a sign" if shop.sign else "without a sign"]
        write_text("\n".join(told) if shop.letterhead or shop.sign else "no shop is said yet")
