"""
What tests need besides the package, and the one place where a test is skipped for want of it.

With VOICECHECK_REQUIRE_<SERVICE>=1 the test fails instead. `.ci/run` requires every service but
`PLATFORM`: what a machine can only have by being another one (a root account, `fork`).
"""

import ctypes.util
import importlib
import os
import shutil
from pathlib import Path
from types import ModuleType
from typing import NoReturn

import pytest

REQUIRED = (
    "BENCH",
    "POSTGRES",
    "PAGE",
    "BROWSERS",
    "PDF",
    "DECODERS",
    "VOICES",
    "SOUNDS",
    "COMPILER",
    "LIBRARIES",
)
"""Services that `.ci/run` installs and requires."""
SERVICES = (*REQUIRED, "PLATFORM")
VOICES = {
    "en": Path("/usr/share/asterisk/sounds/en_US_f_Allison"),
    "fr": Path("/usr/share/asterisk/sounds/fr_CA_f_June"),
}
"""Spoken prompts of two languages, none of which holds a keypad digit."""

SOUNDS = Path("/usr/share/sounds")
MUSIC = Path("/usr/share/asterisk/moh")


def is_required(service: str) -> bool:
    """Whether a test that lacks this service fails."""
    assert service in SERVICES, service
    return os.environ.get(f"VOICECHECK_REQUIRE_{service}") == "1"


def give_up(service: str, missing: str) -> NoReturn:
    """Skip the running test, or the module that is being imported; fail where it is required."""
    if is_required(service):
        pytest.fail(f"{service} is required here, but {missing}")
    pytest.skip(missing, allow_module_level=True)


def need(service: str, missing: str | None) -> None:
    """Give up if something is missing."""
    if missing:
        give_up(service, missing)


def need_module(name: str, service: str = "LIBRARIES") -> ModuleType:
    """A library that the package itself can do without."""
    try:
        return importlib.import_module(name)
    except (ImportError, OSError) as error:
        # An OSError is a library of the system that the Python one loads.
        give_up(service, f"{name} cannot be imported: {error}")


def need_program(name: str, service: str) -> str:
    """The path of an outside program."""
    found = shutil.which(name)
    need(service, None if found else f"the program {name} is not installed")
    return str(found)


def need_library(name: str, service: str) -> ctypes.CDLL:
    """A shared library of the system, loaded."""
    found = ctypes.util.find_library(name)
    need(service, None if found else f"the library {name} is not installed")
    return ctypes.CDLL(found)


def need_voices(language: str, which: str = "**/*.wav") -> list[Path]:
    """Files of spoken prompts."""
    folder = VOICES[language]
    missing = f"Debian's asterisk-core-sounds-{language}-wav is not installed"
    need("VOICES", None if folder.is_dir() else missing)
    return sorted(folder.glob(which))


def need_sound(name: str, package: str) -> Path:
    """A sound of a Debian package, by its path under the folder of sounds, or from the root."""
    path = SOUNDS / name
    need("SOUNDS", None if path.is_file() else f"Debian's {package} is not installed")
    return path


def need_music() -> list[Path]:
    """Eighteen minutes of music at 8 kHz, for those who wait on the telephone."""
    package = "asterisk-moh-opsound-wav"
    need("SOUNDS", None if MUSIC.is_dir() else f"Debian's {package} is not installed")
    return sorted(MUSIC.glob("*.wav"))
