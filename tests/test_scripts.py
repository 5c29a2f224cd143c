"""The page's own scripts and templates: one subject each, readable lines, no error of syntax."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest
from services import need_program

WEB = Path(__file__).parents[1] / "voicecheck" / "data" / "web"
SCRIPTS = sorted(WEB.glob("*.js"))
MOST_LINES, MOST_LETTERS, MOST_OF_TEMPLATE = 300, 170, 210


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda path: path.name)
def test_a_script_has_one_subject_and_lines_that_can_be_read(script: Path) -> None:
    """It begins by saying what it is for."""
    lines = script.read_text(encoding="utf-8").splitlines()
    assert lines[0].startswith("// ")
    assert len(lines) <= MOST_LINES
    assert [n for n, line in enumerate(lines, 1) if len(line) > MOST_LETTERS] == []


@pytest.mark.parametrize("template", sorted(WEB.glob("*.html")), ids=lambda path: path.name)
def test_a_template_has_lines_that_can_be_read(template: Path) -> None:
    lines = template.read_text(encoding="utf-8").splitlines()
    assert [n for n, line in enumerate(lines, 1) if len(line) > MOST_OF_TEMPLATE] == []


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda path: path.name)
def test_a_script_takes_in_only_what_is_there_and_used(script: Path) -> None:
    """Each name that is imported is exported by the other file, and used in this one."""
    text = script.read_text(encoding="utf-8")
    for names, module in re.findall(r'import \{([^}]*)\} from "\./([^"]+)"', text):
        other = (WEB / module).read_text(encoding="utf-8")
        for name in filter(None, (one.strip() for one in names.split(","))):
            assert re.search(rf"export (?:const|function|class) {name}\b", other), name
            assert len(re.findall(rf"\b{name}\b", text)) > 1, name


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda path: path.name)
def test_a_script_can_be_read_by_an_engine(script: Path, tmp_path: Path) -> None:
    node = need_program("node", "PLATFORM")
    is_module = re.search(r"^(import|export) ", script.read_text(encoding="utf-8"), re.MULTILINE)
    copy = tmp_path / f"{script.stem}{'.mjs' if is_module else '.js'}"
    shutil.copy(script, copy)
    done = subprocess.run([node, "--check", copy], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
