# mypy: disable-error-code="attr-defined"
"""The rules of the house: style, types, tiers, sizes, what an import loads, what a README shows."""

import ast
import json
import re
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest
import services
import typer
from typer.main import get_command

from voicecheck.__main__ import ENTRIES  # with the page
from voicecheck.cli import make_app
from voicecheck.cli.helping import SECTIONS
from voicecheck.handbook import FOLDER

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "voicecheck"
MOST_LINES, MOST_BODY = 600, 40
TOP = {
    "README.md", "DEVELOPERS.md", "LICENSE", "MANIFEST.in", "pyproject.toml", "voicecheck",
    "tests", "fixtures", "reports",
}  # fmt: skip


def run(*arguments: Any) -> Any:
    return subprocess.run(arguments, cwd=ROOT, capture_output=True, text=True, check=False)


def test_ruff() -> None:
    done = run(sys.executable, "-m", "ruff", "check", ".")
    assert done.returncode == 0, done.stdout
    done = run(sys.executable, "-m", "ruff", "format", "--check", ".")
    assert done.returncode == 0, done.stdout


def test_mypy() -> None:
    done = run(sys.executable, "-m", "mypy")
    assert done.returncode == 0, done.stdout


def test_tiers() -> None:
    """Imports go downwards only; charts, reports, science and the simulated bench keep apart."""
    done = run(str(Path(sys.executable).parent / "lint-imports"))
    assert done.returncode == 0, done.stdout


BY_NAME = r"\b(import_module|__import__|resolve_name|run_module)$"
MAY_IMPORT_BY_NAME = {"__init__.py"}
"""The package's front door, so that `import voicecheck` loads nothing until a name is asked for."""


def imports_by_name(text: Any) -> Any:
    """Lines at which a module is imported by a name in a string: the layers cannot see those."""
    lines = set()
    for node in ast.walk(ast.parse(text)):
        names = []
        if isinstance(node, ast.ImportFrom) and node.module in ("importlib", "runpy", "pkgutil"):
            names = [f"{node.module}.{alias.name}" for alias in node.names]
        elif isinstance(node, ast.Attribute | ast.Name):
            names = [ast.unparse(node)]
        if any(
            re.search(r"\b(import_module|__import__|resolve_name|run_module)$", n) for n in names
        ):
            lines.add(node.lineno)
    return sorted(lines)


def test_no_door_around_the_tiers() -> None:
    """What the import contracts cannot see, an import by name, is nowhere but at the front."""
    found = {
        path.relative_to(PACKAGE).as_posix(): lines
        for path in python_files()
        if (lines := imports_by_name(path.read_text(encoding="utf-8")))
    }
    assert found.keys() == MAY_IMPORT_BY_NAME


@pytest.mark.parametrize(
    "text",
    [
        "import importlib\nimportlib.import_module('voicecheck.charts')",
        "from importlib import import_module as load",
        "__import__('voicecheck.charts')",
        "import pkgutil\npkgutil.resolve_name('voicecheck.charts:draw')",
        "from runpy import run_module",
        "import builtins\nbuiltins.__import__('voicecheck.charts')",
    ],
)
def test_an_import_by_name_is_seen(text: str) -> None:
    assert imports_by_name(text) != []


def python_files() -> Any:
    return sorted(PACKAGE.rglob("*.py"))


def test_module_sizes() -> None:
    long = {
        path.name: n
        for path in python_files()
        if (n := len(path.read_text().splitlines())) > MOST_LINES
    }
    assert long == {}


def test_function_bodies() -> None:
    """No body is longer than 40 lines, docstring not counted."""
    long = []
    for path in python_files():
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                body = node.body[1:] if ast.get_docstring(node) and node.body[1:] else node.body
                if (n := (body[-1].end_lineno or 0) - body[0].lineno + 1) > MOST_BODY:
                    long.append(f"{path.name}:{node.name} {n}")
    assert long == []


OF_ONE_SYSTEM = re.compile(
    r"\bos\.(?:fork|forkpty|kill|killpg|getuid|geteuid|openpty|pidfd_open|sched_\w+|mkfifo|nice|"
    r"sync|setsid|chown)\b|\bimport (?:fcntl|termios|tty|pty|pwd|grp|resource|msvcrt|winreg)\b|"
    r"\bSIG(?:KILL|HUP|USR1|USR2|ALRM|CHLD)\b|preexec_fn|start_new_session"
)
ASKS_FIRST = re.compile(r"\bos\.name\b|\bsys\.platform\b|\bhasattr\(|\bImportError\b")


def test_what_one_system_has_is_asked_for_first() -> None:
    """A call that Linux, macOS or Windows lacks stands in a function that asks where it is."""
    found = []
    for path in python_files():
        text = path.read_text(encoding="utf-8")
        functions = [n for n in ast.walk(ast.parse(text)) if isinstance(n, ast.FunctionDef)]
        for match in OF_ONE_SYSTEM.finditer(text):
            line = text.count("\n", 0, match.start()) + 1
            inside = [f for f in functions if f.lineno <= line <= (f.end_lineno or 0)]
            around = [ast.get_source_segment(text, one) or "" for one in inside]
            if not any(map(ASKS_FIRST.search, around)):
                found.append(f"{path.name}:{line} {match[0]}")
    assert found == []


def test_the_top_level_holds_nothing_else() -> None:
    listed = run("git", "ls-files").stdout.split("\n")
    if not any(listed):
        services.give_up("PLATFORM", "this is no git checkout")
    tops = {name.split("/")[0] for name in listed if name}
    assert {name for name in tops if not name.startswith(".")} <= TOP


def loaded_by(statement: Any) -> Any:
    code = f"{statement}; import sys, json; print(json.dumps(sorted(sys.modules)))"
    done = run(sys.executable, "-c", code)
    assert done.returncode == 0, done.stderr
    return {name.split(".")[0] for name in json.loads(done.stdout)}


HEAVY = {
    "scipy",
    "librosa",
    "matplotlib",
    "sqlalchemy",
    "sounddevice",
    "soundfile",
    "rich",
    "jinja2",
}


def test_importing_voicecheck_loads_nothing_heavy() -> None:
    assert loaded_by("import voicecheck") & (HEAVY | {"numpy", "typer"}) == set()


def loaded_by_program(*arguments: str) -> tuple[set[str], str]:
    """Modules that one call of the program loads, and what it prints."""
    code = (
        f"import sys, json; sys.argv = {['voicecheck', *arguments]!r}\n"
        "from voicecheck.__main__ import main\n"
        "try: main()\n"
        "except SystemExit as end: assert not end.code\n"
        "sys.stderr.write(json.dumps(sorted(sys.modules)))"
    )
    done = run(sys.executable, "-c", code)
    assert done.returncode == 0, done.stderr
    return set(json.loads(done.stderr)), done.stdout


def test_help_loads_nothing_heavy_and_lists_every_command() -> None:
    modules, text = loaded_by_program("--help")
    assert modules & (HEAVY | {"numpy", "pydantic"}) == set()
    shown = re.findall(r"^  ([a-z]+) {2,}\S", text.partition("--help")[2], re.MULTILINE)
    every = get_command(make_app()).commands
    # Older spellings of commands that stand with `job` go on working and are not listed.
    assert sorted(shown) == sorted(name for name, one in every.items() if not one.hidden)
    # In the order of the work, and none forgotten by the sections.
    assert shown == [name for section in SECTIONS for name in section.names]


def test_each_command_is_looked_for_where_it_is() -> None:
    """A name that stood beside the wrong module would load all of them, at every call."""
    wrong = []
    for entry in ENTRIES:
        alone = typer.Typer()
        entry.register(alone)
        names = [one.name for one in (*alone.registered_commands, *alone.registered_groups)]
        if entry.names and sorted(names) != sorted(entry.names):
            wrong.append(entry.names)
    assert wrong == []


def test_an_analysis_loads_no_library_that_takes_longer_than_the_analysis(tmp_path: Path) -> None:
    """One recording in a fresh process: no scipy, no job book, no charts."""
    signal = tmp_path / "signal.wav"
    assert run(sys.executable, "-m", "voicecheck", "signal", str(signal)).returncode == 0
    modules, text = loaded_by_program("analyze", str(signal), "--signal", str(signal), "--json")
    assert json.loads(text)["bands"]["at_1khz_db"] == pytest.approx(0.0, abs=1e-6)
    assert {name.split(".")[0] for name in modules} & (HEAVY - {"soundfile"}) == set()
    # numpy loads these only when it is asked for a median, what is distinct, or a polynomial.
    assert modules & {"numpy.ma", "numpy.polynomial"} == set()
    assert {name for name in modules if name.startswith("voicecheck.cli.")} == {
        f"voicecheck.cli.{name}"
        for name in ("analysis", "commands", "common", "helping", "main", "screen", "sizes")
    }


def test_every_dependency_has_its_reason() -> None:
    """DEVELOPERS.md says of each dependency why it is there."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    extras = project["optional-dependencies"].values()
    names = [*project["dependencies"], *(name for extra in extras for name in extra)]
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    bare = {re.split(r"[\[<>=~ ]", name)[0] for name in names}
    assert {name for name in bare if f"`{name}`" not in text} == set()


def list_commands() -> Any:
    """Every command of the program, as it is typed."""
    found = []

    def walk(command: Any, words: Any) -> None:
        children = getattr(command, "commands", None)
        if children is None:
            found.append(" ".join(words))
            return
        for name, child in children.items():
            walk(child, [*words, name])

    walk(get_command(make_app()), ["voicecheck"])
    return found


def test_every_command_is_in_readme_or_handbook() -> None:
    """README is short since the handbook ships; what it told stands there."""
    pages = [ROOT / "README.md", *FOLDER.glob("*.md")]
    text = "\n".join(page.read_text(encoding="utf-8") for page in pages)
    assert [command for command in list_commands() if command not in text] == []


def test_every_command_and_option_has_help() -> None:
    silent = []

    def walk(command: Any) -> None:
        for child in getattr(command, "commands", {}).values():
            walk(child)
        if not command.help:
            silent.append(command.name)
        silent.extend(
            f"{command.name} {option.name}"
            for option in command.params
            if not getattr(option, "help", None)
        )

    walk(get_command(make_app()))
    assert silent == []


def test_no_test_is_skipped_but_by_what_can_be_required() -> None:
    """`services` alone skips, so that no want of a service goes unnoticed where it is installed."""
    skips = re.compile(r"pytest\.(?:skip|importorskip|mark\.skip)|unittest\.skip")
    files = {path for path in (ROOT / "tests").rglob("*.py") if path.name != "services.py"}
    here = Path(__file__)
    found = [path.name for path in files - {here} if skips.search(path.read_text("utf-8"))]
    assert found == []


def test_the_check_of_a_bare_machine_requires_every_service() -> None:
    """Each is required by `.ci/run` and told to contributors."""
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    for service in services.REQUIRED:
        assert re.search(rf"\bVOICECHECK_REQUIRE_{service}=1", script), service
        assert f"`{service}`" in text, service


@pytest.mark.parametrize("service", services.REQUIRED)
def test_a_service_that_is_required_and_missing_fails(
    service: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(f"VOICECHECK_REQUIRE_{service}", "1")
    with pytest.raises(pytest.fail.Exception, match="required here, but it is gone"):
        services.need(service, "it is gone")
    monkeypatch.delenv(f"VOICECHECK_REQUIRE_{service}")
    with pytest.raises(pytest.skip.Exception, match="it is gone"):
        services.need(service, "it is gone")
    services.need(service, None)


def test_no_fixture_is_expected_from_memory() -> None:
    """Rows of published values never rest on memory or on a proposal."""
    for path in (ROOT / "fixtures" / "published").glob("*.csv"):
        text = path.read_text(encoding="utf-8")
        assert "MEM" not in text
        assert "PROP" not in text
