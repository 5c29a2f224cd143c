# mypy: disable-error-code="union-attr"
"""The README: its commands and links, its length; and the script that the handbook shows."""

import os
import re
import shlex
import subprocess
import sys
from pathlib import Path
from typing import Any

import soundfile
from helpers import run_program
from known_plant import KnownPlant
from test_handbook import list_glossary, strip_code

from voicecheck.bench.wavfile import load_programme
from voicecheck.handbook import FOLDER

ROOT = Path(__file__).parents[1]
TEXT = (ROOT / "README.md").read_text(encoding="utf-8")


SCRIPT = (FOLDER / "script.md").read_text(encoding="utf-8")
MOST_LINES = 150


def block(marker: Any, text: str = TEXT) -> Any:
    """The code block that follows a marker comment."""
    return re.search(re.escape(marker) + r".*?-->\n```\w+\n(.*?)```", text, re.DOTALL).group(1)


def call(*arguments: Any, folder: Any) -> None:
    environment = {**os.environ, "VOICECHECK_BOOK": str(folder / "book")}
    done = run_program(*arguments, folder=folder, environment=environment)
    assert done.returncode == 0, done.stderr


def test_commands_on_the_simulated_bench(tmp_path: Path) -> None:
    lines = block("<!-- run: these lines").strip().splitlines()
    assert len(lines) > 5
    for line in lines:
        program, *arguments = shlex.split(line)
        assert program == "voicecheck"
        call(*arguments, folder=tmp_path)
    assert (tmp_path / "reports" / "report.html").is_file()


def test_script(tmp_path: Path) -> None:
    call("signal", "OUT.wav", folder=tmp_path)
    programme = load_programme(tmp_path / "OUT.wav")
    plant = KnownPlant(noise_dbfs=-70.0, drift_ppm=25.0)
    soundfile.write(tmp_path / "A.wav", plant(programme.samples, 48000), 48000, subtype="PCM_24")
    command = [sys.executable, "-c", block("<!-- run: python", SCRIPT)]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=True)
    printed = done.stdout.splitlines()
    assert abs(float(printed[0].split()[0]) - 25.0) < 0.2
    assert len(printed) == 54


def test_links_and_pictures_are_there() -> None:
    for target in re.findall(r"\]\(([^)#]+)\)", TEXT):
        assert (ROOT / target).exists(), target


def test_it_is_short_and_speaks_as_the_handbook_does() -> None:
    assert len(TEXT.splitlines()) < MOST_LINES
    told = strip_code(TEXT.partition("## What changed")[0]).casefold()
    for word, bads in list_glossary():
        for bad in bads:
            assert not re.search(rf"\b{re.escape(bad.casefold())}s?\b", told), (word, bad)


def test_its_first_command_leaves_the_program_and_its_page_ready() -> None:
    """In the same terminal: the folder's programs are found, and the page's library is there."""
    command = re.findall(r"^python3 -m venv .*$", TEXT, re.MULTILINE)[0]
    assert ". .venv/bin/activate && pip install" in command
    extras = re.findall(r"\[([a-z,]+)\]", command)[0].split(",")
    assert "page" in extras
    assert command.endswith("&& voicecheck demo")
