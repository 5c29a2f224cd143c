# mypy: disable-error-code="arg-type,attr-defined,call-overload,misc,return-value,str-bytes-safe"
"""
What no test notices: results replaced by zeros, operators and constants changed at random.

    python tests/bench/survivors.py map FILE         which test runs which function, and how long
    python tests/bench/survivors.py run FILE [N [SEED]]     N small changes and every zero

Every change is made in a process of its own, in memory, and held against the quickest tests that
run the function. The table of what was left standing is tests/bench/survivors.md.
"""

from __future__ import annotations

import ast
import copy
import dataclasses
import importlib
import json
import os
import pkgutil
import random
import signal
import sys
import time
import types
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
PACKAGES = (
    "continuity",
    "cutting",
    "distortion",
    "fourier",
    "frying",
    "idle",
    "inspection",
    "measure",
    "noise",
    "programme",
    "response",
    "units",
    "verdicts",
    "weighting",
)
TESTS = (
    "test_distortion",
    "test_fourier",
    "test_frying",
    "test_inspection",
    "test_noise",
    "test_programme",
    "test_response",
    "test_survivors",
    "test_verdicts_",
    "test_weighting",
)
MOST_TESTS, MOST_S = 12, 60
SWAPS: dict[type[ast.AST], type[ast.AST]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.Lt: ast.GtE,
    ast.LtE: ast.Gt,
    ast.Gt: ast.LtE,
    ast.GtE: ast.Lt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.And: ast.Or,
    ast.Or: ast.And,
}


def list_modules() -> list[types.ModuleType]:
    """Modules of the signal science and the verdicts."""
    found = []
    for name in PACKAGES:
        top = importlib.import_module(f"voicecheck.{name}")
        found.append(top)
        for inner in pkgutil.walk_packages(getattr(top, "__path__", []), f"{top.__name__}."):
            found.append(importlib.import_module(inner.name))
    return found


def list_test_files() -> list[str]:
    """Test files that are quick and know the science."""
    return [str(p) for p in sorted((ROOT / "tests").glob("test_*.py")) if p.stem.startswith(TESTS)]


class TouchMap:
    """Which test runs which function: `touched["module:place"] = [[seconds, test]]`."""

    def __init__(self, file: Path) -> None:
        self.file = file
        self.touched: dict[str, list[tuple[float, str]]] = {}
        self.seen: set[str] = set()
        for module in list_modules():
            tree = ast.parse(Path(str(module.__file__)).read_text(encoding="utf-8"))
            for place, _ in _walk_functions(tree):
                self._note_calls(module, place)

    def _note_calls(self, module: types.ModuleType, place: str) -> None:
        function = _find_function(module, place)
        if function.__code__.co_freevars:
            return
        name = f"{module.__name__}:{place}"

        def wrap(original: types.FunctionType) -> str:
            module.__dict__["_seen"] = self.seen
            module.__dict__.setdefault("_before", {})[place] = original
            return f"def _new(*a, **k): _seen.add({name!r}); return _before[{place!r}](*a, **k)"

        _replace(module, place, wrap)

    def pytest_runtest_protocol(self) -> None:
        self.seen.clear()
        self.began = time.perf_counter()

    def pytest_runtest_logfinish(self, nodeid: str) -> None:
        for name in self.seen:
            self.touched.setdefault(name, []).append((time.perf_counter() - self.began, nodeid))
        # Written after every test, so that a run that is stopped leaves what it knows.
        self.file.write_text(json.dumps(self.touched))


def make_map(file: Path) -> None:
    """Run the tests once, and write down who runs what."""
    import pytest

    pytest.main(["-q", "-p", "no:randomly", *list_test_files()], plugins=[TouchMap(file)])


@dataclasses.dataclass(frozen=True)
class Change:
    """One change: of which function (or constant), and how it reads."""

    module: str
    place: str
    words: str
    node: int = -1


def list_zeros() -> Iterator[Change]:
    """Every public function of a module, its result to be zeros."""
    for module in list_modules():
        for name, value in vars(module).items():
            own = getattr(value, "__module__", None) == module.__name__
            if own and not name.startswith("_") and callable(value) and not isinstance(value, type):
                yield Change(module.__name__, name, "returns zeros")


def list_small() -> Iterator[Change]:
    """Every operator and number inside functions, and every number at the top of a module."""
    for module in list_modules():
        tree = ast.parse(Path(str(module.__file__)).read_text(encoding="utf-8"))
        for statement in tree.body:
            if isinstance(statement, ast.Assign) and isinstance(statement.value, ast.Constant):
                name, value = ast.unparse(statement.targets[0]), statement.value.value
                if isinstance(value, int | float) and not isinstance(value, bool):
                    yield Change(module.__name__, name, f"{value} -> {_alter(value)}")
        for place, function in _walk_functions(tree):
            for index, node in enumerate(ast.walk(function)):
                if words := _describe(node):
                    line = getattr(node, "lineno", function.lineno)
                    yield Change(module.__name__, place, f"line {line}: {words}", index)


def _walk_functions(tree: ast.Module) -> Iterator[tuple[str, ast.FunctionDef]]:
    for node in tree.body:
        if isinstance(node, ast.FunctionDef):
            yield node.name, node
        if isinstance(node, ast.ClassDef):
            for inner in node.body:
                if isinstance(inner, ast.FunctionDef):
                    yield f"{node.name}.{inner.name}", inner


def _alter(value: float) -> float:
    return value + 1 if isinstance(value, int) else (2.0 * value if value else 1.0)


def _describe(node: ast.AST) -> str | None:
    """How a change of this node reads; `None` where there is none to make."""
    if isinstance(node, ast.Constant) and type(node.value) in (int, float):
        return f"{node.value} -> {_alter(node.value)}"
    if isinstance(node, ast.BinOp | ast.BoolOp) and type(node.op) in SWAPS:
        return f"{ast.unparse(node)}: {type(node.op).__name__} -> {SWAPS[type(node.op)].__name__}"
    if isinstance(node, ast.Compare) and type(node.ops[0]) in SWAPS:
        return f"{ast.unparse(node)}: turned round"
    return None


def apply(change: Change) -> None:
    """Make the change in this process, whoever imported the function."""
    module = importlib.import_module(change.module)
    if change.words == "returns zeros":
        return _return_zeros(module, change.place)
    tree = ast.parse(Path(str(module.__file__)).read_text(encoding="utf-8"))
    if change.node < 0:
        value = float(change.words.split("-> ")[1])
        old = getattr(module, change.place)
        for other in list_modules():
            if getattr(other, change.place, None) is old:
                setattr(other, change.place, type(old)(value))
        return None
    function = dict(_walk_functions(tree))[change.place]
    node = list(ast.walk(function))[change.node]
    if isinstance(node, ast.Constant):
        node.value = _alter(node.value)
    elif isinstance(node, ast.Compare):
        node.ops[0] = SWAPS[type(node.ops[0])]()
    else:
        node.op = SWAPS[type(node.op)]()
    code = compile(ast.fix_missing_locations(tree), str(module.__file__), "exec")
    _find_function(module, change.place).__code__ = _find_code(code, change.place)
    return None


def _find_function(module: types.ModuleType, place: str) -> types.FunctionType:
    found = module
    for part in place.split("."):
        found = vars(found)[part]
    for inner in ("fget", "__func__"):
        found = getattr(found, inner, found)
    while hasattr(found, "__wrapped__"):
        found = found.__wrapped__
    return found


def _find_code(code: types.CodeType, place: str) -> types.CodeType:
    for part in place.split("."):
        code = next(
            one for one in code.co_consts if isinstance(one, types.CodeType) and one.co_name == part
        )
    return code


def _return_zeros(module: types.ModuleType, place: str) -> None:
    def wrap(original: types.FunctionType) -> str:
        module.__dict__["_before"], module.__dict__["_to_zeros"] = original, to_zeros
        return "def _new(*a, **k): return _to_zeros(_before(*a, **k))"

    _replace(module, place, wrap)


def _replace(
    module: types.ModuleType, place: str, wrap: Callable[[types.FunctionType], str]
) -> None:
    """Give a function the code that `wrap` writes around a copy of it, for all who hold it."""
    function = _find_function(module, place)
    original = types.FunctionType(function.__code__, function.__globals__, place)
    original.__defaults__, original.__kwdefaults__ = function.__defaults__, function.__kwdefaults__
    exec(wrap(original), module.__dict__)
    function.__defaults__ = function.__kwdefaults__ = None
    function.__code__ = module.__dict__["_new"].__code__


def to_zeros(value: object) -> object:
    """The same shape of result with nothing in it."""
    if isinstance(value, np.ndarray):
        return np.zeros_like(value) if value.dtype.kind in "biufc" else value
    if isinstance(value, bool | int | float | complex | np.generic):
        return type(value)(0)
    if isinstance(value, tuple) and not hasattr(value, "_fields"):
        return tuple(to_zeros(one) for one in value)
    if isinstance(value, list | dict | set):
        return type(value)()
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        emptied = copy.copy(value)
        for field in dataclasses.fields(value):
            object.__setattr__(emptied, field.name, to_zeros(getattr(value, field.name)))
        return emptied
    return value


def survives(change: Change, tests: list[str]) -> bool:
    """Whether all tests pass with the change made; one that hangs has noticed it."""
    child = os.fork()
    if child == 0:
        import pytest

        quiet = os.open(os.devnull, os.O_WRONLY)
        os.dup2(quiet, 1)
        os.dup2(quiet, 2)
        signal.signal(signal.SIGALRM, signal.SIG_DFL)
        signal.alarm(MOST_S)
        try:
            apply(change)
            code = int(pytest.main(["-x", "-q", "-p", "no:randomly", "-p", "no:warnings", *tests]))
        except BaseException:
            code = 9
        os._exit(code)
    _, status = os.waitpid(child, 0)
    if os.waitstatus_to_exitcode(status) == 9:
        raise RuntimeError(f"cannot be made: {change}")
    return status == 0


def find_tests(change: Change, touched: dict[str, list[tuple[float, str]]]) -> list[str]:
    """The quickest tests that run the function; for a constant, those that run its module."""
    if change.node < 0 and change.words != "returns zeros":
        found = [
            one
            for name, ones in touched.items()
            for one in ones
            if name.startswith(f"{change.module}:")
        ]
    else:
        found = touched.get(f"{change.module}:{change.place}", [])
    quickest = list(dict.fromkeys(test for _, test in sorted(map(tuple, found))))
    return quickest[:MOST_TESTS]


def say(line: str) -> None:
    """One line of the table, at once."""
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def run(file: Path, n_small: int, seed: int) -> None:
    """Every zero and some small changes, one line for each that was left standing."""
    touched = json.loads(file.read_text())
    small = list(list_small())
    changes = [*list_zeros(), *random.Random(seed).sample(small, min(n_small, len(small)))]
    n_left = n_untouched = 0
    for change in changes:
        tests = find_tests(change, touched)
        if not tests:
            n_untouched += 1
            say(f"| {change.module}.{change.place} | {change.words} | no test here |")
        elif survives(change, tests):
            n_left += 1
            say(f"| {change.module}.{change.place} | {change.words} | left |")
    say(f"{len(changes)} changes, {n_left} left standing, {n_untouched} without a test here")


if __name__ == "__main__":
    sys.path.insert(0, str(ROOT / "tests"))
    what, where, *rest = sys.argv[1:]
    if what == "map":
        make_map(Path(where))
    else:
        n_small, seed = [*map(int, rest), *(300, 1)[len(rest) :]]
        run(Path(where), n_small, seed)
