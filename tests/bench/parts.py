"""
How near the electrical check comes, and how often its interval holds the truth.

    PYTHONPATH=tests python tests/bench/parts.py [cards]

The first table is by the circuits alone, for every resistor of the table of the electrical side;
the second by whole takes. Every seed is another card, pair of resistors and part, drawn by the made
scene; what is stated of the resistors is off by a normal 0.25 % (95 %). Truth is the part's own
circuit. Printed: the largest and the 95 % error of |Z|, the share of points and of figures whose
interval holds the truth.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import Any

import numpy as np
from parts_takes import DRAWN, TONES_HZ, draw_ratios

from voicecheck.bench.simulated.feedscene import FULL_SCALE_V, make_feed_take
from voicecheck.bench.simulated.parts import compute_part_ohm, make_parts
from voicecheck.bench.simulated.scene import Drive
from voicecheck.checkout.parts.measure import measure_parts
from voicecheck.checkout.parts.options import USUAL_OHM, Loaded, PartsOptions
from voicecheck.checkout.parts.stimulus import make_recipe, make_stimulus
from voicecheck.checkout.parts.terminals import solve
from voicecheck.records import Programme, Recording

PERCENT = 0.25
ENDS = {"open": "open", "short": "short", "reference": "known"}
Truths = dict[str, float]


def draw_check(
    part: str, seed: int, programme: Programme, words: str = "healthy", *, ends: tuple[str, ...]
) -> Any:
    """One part on one bench, what is known of its ends, and resistors that are a little off."""
    draw = np.random.default_rng([seed, 17])
    ohm = USUAL_OHM[part]
    true_ohm = ohm * (1.0 + 0.01 * PERCENT / 1.96 * draw.standard_normal(2))
    holds = programme.blocks_of("hold")
    drive = Drive(
        samples=programme.samples,
        rate_hz=programme.rate_hz,
        part=part,
        resistor_ohm=float(true_ohm[0]),
        reference_ohm=float(true_ohm[1]),
        hold_s=(holds[0].start_s, holds[0].end_s) if holds else (0.0, 0.0),
    )

    def record(*asked: str) -> Recording:
        return make_parts(asked, seed, drive).to_recording("+".join(asked), seed)

    takes = {name: record(ENDS[name]) for name in ends}
    if part == "receiver":
        takes["damped"] = record(words, "damped")
    options = PartsOptions(
        part=part,  # type: ignore[arg-type]
        resistor_ohm=ohm,
        resistor_percent=PERCENT,
        reference_ohm=ohm,
        reference_percent=PERCENT,
        loaded=Loaded(programme=programme, takes=takes),
    )
    return measure_parts(record(words), options)


def list_truths(part: str, seed: int) -> Truths:
    """Figures from the part's own circuit, on a grid far denser than the tones."""

    def at(*hz: float) -> Any:
        return compute_part_ohm(part, ("healthy",), seed, np.array(hz))

    if part == "capacitor":
        one = complex(at(1000.0)[0])
        low = complex(at(100.0)[0])
        return {
            "capacitance_uf": -1e6 / (2.0 * np.pi * 100.0 * low.imag),
            "loss_tangent": -one.real / one.imag,
        }
    if part == "bell":
        hz = np.linspace(10.0, 80.0, 20000)
        reactance = at(*hz).imag
        return {
            "resonance_hz": float(hz[np.argmin(np.abs(reactance))]),
            "impedance_20hz_ohm": float(abs(at(20.0)[0])),
            "capacitance_uf": 0.47,
        }
    if part == "contact":
        return {"resistance_ohm": float(at(980.0)[0].real)}
    if part == "receiver":
        return {"impedance_1khz_ohm": float(abs(at(1000.0)[0]))}
    return {"impedance_1khz_ohm": float(abs(at(1000.0)[0]))} if part == "set" else {}


def study(part: str, n_cards: int, ends: tuple[str, ...], show: Callable[[str], None]) -> None:
    """A line of the table."""
    programme = make_stimulus(make_recipe(part))
    errors, held = [], []
    figures: dict[str, list[tuple[float, bool]]] = {}
    for seed in range(1, n_cards + 1):
        check = draw_check(part, seed, programme, ends=ends)
        truth = np.abs(compute_part_ohm(part, ("healthy",), seed, np.array(check.frequency_hz)))
        found = np.abs([complex(*one) for one in check.impedance_ohm])
        errors.append(100.0 * np.abs(found / truth - 1.0))
        held.append(np.abs(found - truth) <= np.array(check.uncertainty_ohm, dtype=float))
        for name, true in list_truths(part, seed).items():
            figure = check.figures[name]
            if figure.value is not None:
                is_held = abs(figure.value - true) <= figure.uncertainty
                error = 100.0 * abs(figure.value / true - 1.0)
                figures.setdefault(name, []).append((error, is_held))
    every, inside = np.concatenate(errors), np.concatenate(held)
    told = "; ".join(
        f"{name}: {np.percentile([one for one, _ in rows], 95):.2f} %, "
        f"{sum(ok for _, ok in rows)} of {len(rows)}"
        for name, rows in figures.items()
    )
    show(
        f"| {part} | {'+'.join(ends) or 'none'} | {np.percentile(every, 95):.2f} | "
        f"{np.max(every):.2f} | {100.0 * np.mean(inside):.1f} | {told} |"
    )


def study_feed(n_cards: int, show: Callable[[str], None]) -> None:
    """The same of the feed current, its input's volts off by a normal 2 % (95 %)."""
    errors, held = [], []
    for seed in range(1, n_cards + 1):
        draw = np.random.default_rng([seed, 18])
        off = 1.0 + np.array([0.01, 0.02]) / 1.96 * draw.standard_normal(2)
        samples, feed_ma = make_feed_take(seed, 10.0 * off[0], 48000)
        options = PartsOptions(
            part="feed", resistor_ohm=10.0, full_scale_v=FULL_SCALE_V * float(off[1])
        )
        found = measure_parts(Recording(samples=samples, rate_hz=48000), options).figures["feed_ma"]
        errors.append(100.0 * abs(found.value / feed_ma - 1.0))  # type: ignore[operator]
        held.append(abs(found.value - feed_ma) <= found.uncertainty)  # type: ignore[operator]
    show(
        f"| feed | volts, 10 ohm | {np.percentile(errors, 95):.2f} | {max(errors):.2f} | "
        f"{100.0 * float(np.mean(held)):.1f} | feed_ma |"
    )


def study_resistors(n_cards: int, show: Callable[[str], None]) -> None:
    """95 % error of |Z| at the part's hardest tone through each resistor, and points held."""
    show("| part, hardest tone | 10 ohm | 100 ohm | 600 ohm | 5000 ohm |")
    show("|---|---|---|---|---|")
    for part, tones_hz in TONES_HZ.items():
        cells = []
        for ohm in (10.0, 100.0, 600.0, 5000.0):
            draw = np.random.default_rng([17, int(ohm)])
            errors, held = [], []
            for seed in range(1, n_cards + 1):
                ratios, bench = draw_ratios(part, seed, draw, ohm)
                z = solve(ratios, bench)
                word = DRAWN.get(part, "healthy")
                truth = np.abs(compute_part_ohm(part, (word,), seed, z.frequency_hz))
                off = np.abs(np.abs(z.ohm) - truth)
                errors.append(100.0 * off / truth)
                held.append(off <= z.half_width_ohm)
            hardest = float(np.max(np.percentile(errors, 95, axis=0)))
            cells.append(f"{hardest:.2f} % ({100.0 * np.mean(held):.0f} % held)")
        show(f"| {part}, {min(tones_hz):g} Hz and on | {' | '.join(cells)} |")


def main() -> None:
    n_cards = int(sys.argv[1]) if len(sys.argv) > 1 else 16

    def show(line: str) -> None:
        sys.stdout.write(line + "\n")
        sys.stdout.flush()

    study_resistors(10 * n_cards, show)
    show("")
    show("| part | ends taken | 95 % error of Z, % | largest, % | points held, % | figures |")
    show("|---|---|---|---|---|---|")
    every = ("open", "short", "reference")
    for part in ("set", "receiver", "capacitor", "bell", "contact"):
        study(part, n_cards, every, show)
    for part in ("set", "capacitor"):
        study(part, n_cards // 2, ("reference",), show)
    study("capacitor", n_cards // 2, ("open", "short"), show)
    study_feed(n_cards, show)


if __name__ == "__main__":
    main()
