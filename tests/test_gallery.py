"""The gallery of faults is what the program says today."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

import gallery
import pytest

from voicecheck.bench.simulated.faults import CHANGES

NUMBER = re.compile(r"-?\d+(?:\.\d+)?")
MADE_ANEW = ("healthy", "weak-magnet")
MOST_BYTES, MOST_BYTES_IN_ALL = 30_000, 1_500_000


@pytest.fixture(scope="module")
def stored() -> dict[str, gallery.Entry]:
    return gallery.read_entries()


def check_alike(found: str, kept: str, apart: float) -> None:
    """The same words, and numbers that another processor's rounding explains."""
    assert NUMBER.sub("#", found) == NUMBER.sub("#", kept)
    assert [float(one) for one in NUMBER.findall(found)] == pytest.approx(
        [float(one) for one in NUMBER.findall(kept)], abs=apart
    )


def test_every_fault_has_its_place(stored: dict[str, gallery.Entry]) -> None:
    assert stored.keys() == CHANGES.keys()
    assert {one.name for one in gallery.FOLDER.glob("*.svg")} == {f"{name}.svg" for name in stored}


def test_the_page_is_made_of_its_entries(stored: dict[str, gallery.Entry]) -> None:
    """Head, table and counts go with the entries below them."""
    page = (gallery.FOLDER / "index.md").read_text(encoding="utf-8")
    assert gallery.write_page(stored) == page


def test_charts_are_small_and_whole(stored: dict[str, gallery.Entry]) -> None:
    for name, entry in stored.items():
        assert ET.fromstring(entry.chart).tag.endswith("svg"), name
        assert len(entry.chart.encode()) <= MOST_BYTES, name
    sizes = [file.stat().st_size for file in gallery.FOLDER.iterdir()]
    assert sum(sizes) <= MOST_BYTES_IN_ALL


def test_nothing_carries_a_date(stored: dict[str, gallery.Entry]) -> None:
    """Else every entry would differ from the last time, whatever the program does."""
    dated = re.compile(r"\b20\d\d-\d\d|\b\d{1,2} [A-Z][a-z]+ 20\d\d\b")
    for entry in stored.values():
        assert not dated.search(entry.text + entry.chart), entry.name


@pytest.mark.slow
@pytest.mark.timeout(900)  # sixty simulated takes: half a minute of an idle core
def test_two_entries_made_anew_are_as_stored(stored: dict[str, gallery.Entry]) -> None:
    """
    Sentences are the same word by word, numbers to one in the last printed place.

    Percent and decibels are printed whole or in tenths, charts in tenths of a point.
    """
    exhibits = {one.name: one for one in gallery.list_exhibits()}
    baselines = gallery.build_baselines(exhibits[MADE_ANEW[0]])
    for name in MADE_ANEW:
        entry = gallery.make_entry(exhibits[name], baselines)
        check_alike(entry.text, stored[name].text, 1.0)
        check_alike(entry.line, stored[name].line, 1.0)
        check_alike(entry.chart, stored[name].chart, 0.3)


def test_another_text_is_noticed(stored: dict[str, gallery.Entry]) -> None:
    kept = stored["weak-magnet"]
    with pytest.raises(AssertionError):
        check_alike(kept.text.replace("outside", "within"), kept.text, 1.0)
    moved = NUMBER.sub(lambda one: f"{float(one[0]) + 1.0:.1f}", kept.chart, count=40)
    with pytest.raises(AssertionError):
        check_alike(moved, kept.chart, 0.3)
