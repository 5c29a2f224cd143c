"""`demo`: the whole way, on the simulated bench."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from voicecheck.cli.common import Force, Json, Quiet, open_door, show_progress, tell, write_json


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command("demo")(demo)


def demo(
    out: Annotated[Path, typer.Option(help="Folder to write to.")] = Path("reports/demo"),
    force: Force = False,
    as_json: Json = False,
    quiet: Quiet = False,
) -> None:
    """Take an invented set from complaint to report on the simulated bench."""
    from voicecheck.cli.show import say_simulated
    from voicecheck.records import to_document
    from voicecheck.workflow.demo import count_takes, run_demo

    tell(say_simulated(), quiet=quiet)
    with (
        open_door(force=force, quiet=quiet) as door,
        show_progress(count_takes(), "recording", quiet=quiet) as advance,
    ):
        result = run_demo(out, say=lambda line: tell(line, quiet=quiet), advance=advance, door=door)
    if as_json:
        write_json(
            {
                "simulated": True,
                "before": to_document(result.before),
                "after": to_document(result.after),
                "change": to_document(result.change),
                "files": [str(file) for file in result.files],
            }
        )
        return
    page = next((file for file in result.files if file.suffix == ".html"), out)
    tell(f"\nDone. Open {page} in a browser; the charts and tables lie beside it.", quiet=quiet)
    tell(f"The job book of the demo is in {out / 'book'}.", quiet=quiet)
    tell(f"Next: voicecheck page --book {out / 'book'}", quiet=quiet)
