"""The table of speed: its parts run, its stored form is read, every study has its line."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from services import need_module
from timing import Ratio, hold

BENCH = Path(__file__).parent / "bench"


def test_every_study_has_its_line() -> None:
    """A script that the account of studies does not name is one that nobody finds."""
    account = (BENCH / "README.md").read_text(encoding="utf-8")
    told = set(re.findall(r"`([a-z_0-9]+)`", account))
    assert {file.stem for file in BENCH.glob("*.py")} - told == set()
    linked = {Path(one).name for one in re.findall(r"\]\(([^)]+\.md)\)", account)}
    assert {file.name for file in BENCH.glob("*.md")} - linked - {"README.md"} == set()


def test_every_line_is_of_a_study() -> None:
    account = (BENCH / "README.md").read_text(encoding="utf-8")
    for row in re.findall(r"^\| (`.+?) \|", account, re.MULTILINE):
        for name in re.findall(r"`([a-z_0-9]+)`", row):
            assert (BENCH / f"{name}.py").is_file(), name


def test_a_ratio_is_of_both_medians(monkeypatch: pytest.MonkeyPatch) -> None:
    """Work of three times as long is held at three, whatever came between once."""
    now_s, lengths_s = [0.0], iter([99.0, 3.0, 3.0, 40.0, 3.0, 3.0])
    monkeypatch.setattr("timing.time.process_time", lambda: now_s[0])

    def work(length_s: float) -> None:
        now_s[0] += length_s

    found = hold("sums", lambda: work(next(lengths_s)), lambda: work(1.0), "", rounds=5)
    assert found.ratio == pytest.approx(3.0)
    assert found.ratio == found.value / found.floor


class TestTheStoredTable:
    def test_it_reads_back_what_it_wrote(self) -> None:
        ratios = need_module("all_ratios", "PAGE")
        row = ratios.write_row(
            Ratio(name="chart: PNG", value=250.0, floor=100.0, against="a bare figure"), {}
        )
        text = f"# Title\n\n{ratios.HEADS[True]}\n\n{ratios.TOP}{row}\n{ratios.HEADS[False]}\n\n"
        assert ratios.read_stored(text, short=True) == {"chart: PNG": 2.5}
        assert ratios.read_stored(text, short=False) == {}

    def test_keeping_leaves_what_was_not_made(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        ratios = need_module("all_ratios", "PAGE")
        file = tmp_path / "ratios.md"
        file.write_text("# Title\n\nWords.\n", encoding="utf-8")
        monkeypatch.setattr(ratios, "STORED", file)

        def keep(name: str, value: float, **how: bool) -> None:
            one = Ratio(name=name, value=value, floor=100.0, against="a bare figure")
            ratios.keep("2 cores.", [ratios.write_row(one, {})], **how)

        keep("chart: PNG", 300.0, short=False)
        keep("chart: PDF", 100.0, short=True)
        keep("chart: PNG", 200.0, short=True)
        text = file.read_text(encoding="utf-8")
        assert text.startswith("# Title\n\nWords.\n\n## Short form\n\n2 cores.\n\n| what")
        assert ratios.read_stored(text, short=True) == {"chart: PNG": 2.0}
        keep("chart: PDF", 500.0, short=True, whole=False)
        keep("chart: PNG", 400.0, short=True, whole=False)
        text = file.read_text(encoding="utf-8")
        assert ratios.read_stored(text, short=True) == {"chart: PNG": 4.0, "chart: PDF": 5.0}
        assert ratios.read_stored(text, short=False) == {"chart: PNG": 3.0}

    def test_what_is_stored_covers_every_part(self) -> None:
        """The short form has something of each; the whole one of what it was made for."""
        ratios = need_module("all_ratios", "PAGE")
        text = ratios.STORED.read_text(encoding="utf-8")
        begins = {"analysis", "memory", "start", "two processes", "check", "comparison", "chart",
                  "report", "page", "book", "archive"}  # fmt: skip
        short, whole = (ratios.read_stored(text, short=form) for form in (True, False))
        assert {name.partition(":")[0] for name in short} == begins
        assert {name.partition(":")[0] for name in whole} <= begins
        assert all(value > 0.0 for value in (*short.values(), *whole.values()))
