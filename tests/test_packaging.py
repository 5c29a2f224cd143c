"""What a packager gets: the source as one archive with all that the tests need, and one version."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tarfile
import tomllib
import zipfile
from importlib import metadata
from pathlib import Path

import pytest
import services

import voicecheck
from voicecheck.workflow.selftest.machine import try_files

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
BUILD = "import sys; from setuptools import build_meta as made; "


def list_tracked() -> list[str]:
    command = ["git", "ls-files", "-z"]
    listed = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False).stdout
    names = [name for name in listed.split("\0") if name and (ROOT / name).is_file()]
    services.need("PLATFORM", None if names else "this is no git checkout")
    return names


@pytest.fixture(scope="module")
def tree(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of what is tracked, so that building leaves nothing behind."""
    version = services.need_module("setuptools").__version__
    too_old = f"setuptools {version} does not know licence expressions"
    services.need("LIBRARIES", too_old if int(version.split(".")[0]) < 77 else None)
    copy = tmp_path_factory.mktemp("source")
    for name in list_tracked():
        (copy / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(ROOT / name, copy / name)
    return copy


def build(tree: Path, what: str, into: Path) -> Path:
    command = [sys.executable, "-c", f"{BUILD} print(made.build_{what}(sys.argv[1]))", str(into)]
    done = subprocess.run(command, cwd=tree, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return into / done.stdout.split()[-1]


def test_the_source_archive_holds_every_file(tree: Path, tmp_path: Path) -> None:
    with tarfile.open(build(tree, "sdist", tmp_path)) as archive:
        names = {name.partition("/")[2] for name in archive.getnames()}
        inside = archive.extractfile(f"voicecheck-{voicecheck.__version__}/PKG-INFO")
        assert inside is not None
        told = inside.read().decode("utf-8")
    assert set(list_tracked()) - names == {".gitignore"}
    assert [name for name in names if name.endswith(".pyc")] == []
    assert f"\nVersion: {voicecheck.__version__}\n" in told
    assert "\nAuthor: The voicecheck authors\n" in told
    assert "\nProject-URL: Homepage, " in told
    assert "\nLicense-Expression: MIT AND 0BSD\n" in told


def test_what_is_installed_knows_its_own_files(tree: Path, tmp_path: Path) -> None:
    """The self-test holds each file against the list that comes with the package."""
    with zipfile.ZipFile(build(tree, "wheel", tmp_path)) as archive:
        archive.extractall(tmp_path / "site")
    place = tmp_path / "site"
    installed = metadata.Distribution.at(place / f"voicecheck-{voicecheck.__version__}.dist-info")
    assert try_files(installed).outcome == "passes"
    table = place / "voicecheck" / "data" / "selftest" / "points.csv"
    table.write_text(table.read_text(encoding="utf-8") + "\n", encoding="utf-8")
    told = try_files(installed)
    assert (told.outcome, told.told) == (
        "fails", "changed or gone: voicecheck/data/selftest/points.csv",
    )  # fmt: skip


def test_the_version_stands_in_one_place() -> None:
    """`voicecheck.__version__`; what is installed asks it."""
    assert "version" not in PROJECT
    assert PROJECT["dynamic"] == ["version"]
    found = [
        path.relative_to(ROOT).as_posix()
        for path in (ROOT / "voicecheck").rglob("*.py")
        if re.search(rf"(?<![\w.])[\"']{re.escape(voicecheck.__version__)}[\"']", path.read_text())
    ]
    assert found == ["voicecheck/__init__.py"]


def test_the_newest_version_stands_last_in_the_readme() -> None:
    """The last section says what changed in it, and holds no older one."""
    last = re.split(r"^## ", (ROOT / "README.md").read_text(encoding="utf-8"), flags=re.MULTILINE)[
        -1
    ]
    assert last.startswith("What changed\n")
    assert re.findall(r"^### (.*)$", last, flags=re.MULTILINE) in (
        ["Unreleased"], [voicecheck.__version__], ["Unreleased", voicecheck.__version__],
    )  # fmt: skip


def test_every_lower_bound_is_told() -> None:
    """A dependency has a lower bound and no upper one."""
    assert all(re.fullmatch(r"[a-z0-9-]+>=[0-9.]+", name) for name in PROJECT["dependencies"])
