"""Every figure on the terminal with its interval, and `--numbers`: what the interval is made of."""

from __future__ import annotations

import json
from pathlib import Path

from helpers import measure, run_program
from known_plant import KnownPlant

from voicecheck.cli.numbers import list_budgets
from voicecheck.cli.show import render_measurement

NOISY = KnownPlant(noise_dbfs=-50.0, square=0.4)


def test_figures_carry_their_interval_and_distortion_says_its_orders() -> None:
    text = render_measurement(measure(NOISY))
    for figure in ("level at 1 kHz", "distortion at 500 Hz"):
        (line,) = [line for line in text.splitlines() if figure in line]
        assert "+/-" in line, line
    assert "(orders 2 to 5)" in text


def test_the_budget_has_a_line_for_every_figure_with_an_interval() -> None:
    found = measure(NOISY)
    rows = list_budgets(found)
    names = [name for name, _, _ in rows]
    for name in ("response at 1000 Hz", "level at 1 kHz", "distortion at 500 Hz"):
        assert name in names
    n_figures = sum(
        len(part.budget)
        for part in (
            found.bands,
            found.noise,
            found.linearity,
            found.intermodulation,
            found.residual,
        )
        if part is not None
    )
    assert len(rows) == 3 + 3 + n_figures + 1
    assert all("noise" in parts for _, _, parts in rows)


def test_numbers_are_shown_on_wish(tmp_path: Path) -> None:
    """Of a sweep of the simulated bench: seats with their degrees of freedom."""
    book = {"VOICECHECK_BOOK": str(tmp_path / "book"), "HOME": str(tmp_path)}
    add = ("type", "add", "desk", "--transmitter", "electret")
    run_program(*add, folder=tmp_path, environment=book)
    run_program("job", "open", "A1", "--type", "desk", folder=tmp_path, environment=book)
    command = ("sweep", 1, "--stage", "before", "--path", "transmit", "--simulated", "electret")
    done = run_program(*command, "--seats", 2, "--numbers", folder=tmp_path, environment=book)
    assert done.returncode == 0, done.stderr
    assert "seats" in done.stdout
    assert "(1 dof)" in done.stdout


def test_a_longer_silence_is_on_offer(tmp_path: Path) -> None:
    done = run_program("signal", "long.wav", "--silence-s", "4", "--json", folder=tmp_path)
    assert done.returncode == 0, done.stderr
    silences = [one for one in json.loads(done.stdout)["blocks"] if one["kind"] == "silence"]
    assert silences[0]["end_s"] - silences[0]["start_s"] > 3.9
