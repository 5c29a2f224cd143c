"""The commands put together, and every error turned into one line and its exit code."""

from __future__ import annotations

import gc
import os
import sys
from typing import Annotated, NoReturn

import typer

from voicecheck import __version__
from voicecheck.cli.commands import add_commands, strip_options
from voicecheck.cli.helping import WorkingOrder
from voicecheck.cli.screen import Screen, clean_message
from voicecheck.cli.sizes import bound_numbers
from voicecheck.errors import InputError, VoicecheckError

STOPPED, UNEXPECTED = 130, 1
STOPPED_LINE = "voicecheck: stopped; everything recorded so far is kept"


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"voicecheck {__version__}")
        raise typer.Exit


def _common(
    _: Annotated[
        bool,
        typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version."),
    ] = False,
) -> None:
    """Measure how a telephone talks and hears, and put the chart with the job."""


def make_app() -> typer.Typer:
    """The command line with every command and option."""
    app = _make_bare_app()
    add_commands(app)
    return app


def _make_bare_app() -> typer.Typer:
    app = typer.Typer(
        name="voicecheck",
        cls=WorkingOrder,
        help="Measure how a telephone talks and hears, and put the chart with the job.",
        rich_markup_mode=None,
        no_args_is_help=True,
        add_completion=False,
        pretty_exceptions_enable=False,
    )
    app.callback()(_common)
    return app


def _make_app_for(arguments: list[str]) -> typer.Typer:
    """As much of the command line as these arguments need."""
    app = _make_bare_app()
    wanted = next((one for one in arguments if not one.startswith("-")), None)
    if not add_commands(app, wanted):
        strip_options(app)
    return app


def main() -> NoReturn:
    """Run the command line; never a traceback unless VOICECHECK_DEBUG is set."""
    # Loading makes many things that stay: looking for waste among them again and again takes a
    # twentieth of a short command's time.
    gc.set_threshold(20_000)
    arguments = sys.argv[1:] or ["--help"]
    outside = sys.stdout, sys.stderr
    sys.stdout, sys.stderr = Screen(sys.stdout), Screen(sys.stderr)
    try:
        sys.exit(_run(arguments))
    finally:
        sys.stdout, sys.stderr = outside


def _run(arguments: list[str]) -> int:
    """Exit code of a command."""
    try:
        command = bound_numbers(typer.main.get_command(_make_app_for(arguments)))
        code = command(arguments, standalone_mode=False)
    except VoicecheckError as error:
        _say(f"voicecheck: {error}")
        return error.exit_code
    except (KeyboardInterrupt, typer.Abort):
        _say(STOPPED_LINE)
        return STOPPED
    except BrokenPipeError:
        # The reader of a pipe has gone; nothing is left to say.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except Exception as error:
        return _explain(error)
    if code == STOPPED:
        _say(STOPPED_LINE)
    return code if isinstance(code, int) else 0


def _explain(error: Exception) -> int:
    """Exit code of an error from the command-line library, or of one nobody foresaw."""
    if type(error).__name__ == "NoArgsIsHelpError" and hasattr(error, "format_message"):
        # A group without a command of its own is asked what it has: that is no mistake.
        sys.stdout.write(f"{error.format_message()}\n")
        return 0
    if hasattr(error, "exit_code") and hasattr(error, "format_message"):
        usage = getattr(error, "ctx", None)
        hint = f" (see `{usage.command_path} --help`)" if usage is not None else ""
        _say(f"voicecheck: {error.format_message()}{hint}")
        return int(error.exit_code)
    if os.environ.get("VOICECHECK_DEBUG"):
        raise error
    if isinstance(error, UnicodeEncodeError) and any(_is_no_text(one) for one in sys.argv):
        # A name in another encoding reaches a program as halves of letters.
        _say("voicecheck: what was typed is no text in this system's encoding; write it anew")
        return InputError.exit_code
    if isinstance(error, OSError) and error.strerror:
        # Of a file that is not the user's: one in the system's own folder for such, say.
        place = f"{error.filename}: " if error.filename else ""
        _say(
            f"voicecheck: {place}{error.strerror}; what was recorded is kept; free some space or "
            "look after the disk, and do this again"
        )
        return InputError.exit_code
    _say(
        f"voicecheck: unexpected {type(error).__name__}: {' '.join(str(error).split())[:200]}; "
        "what was recorded is kept; set VOICECHECK_DEBUG=1 to see where it happened"
    )
    return UNEXPECTED


def _is_no_text(word: str) -> bool:
    return any("\ud800" <= letter <= "\udfff" for letter in word)


def _say(line: str) -> None:
    sys.stderr.write(clean_message(line) + "\n")
