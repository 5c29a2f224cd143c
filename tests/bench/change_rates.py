"""
How often an unchanged set is called changed, and a change found: a table for verdict_rates.md.

    python tests/bench/change_rates.py [--draws 2000] [--records 100] [--untouched]

Three independent populations (`tests/plants`), seats that scatter by 0.3 dB, one path. Each cell is
the worst of the three. The pairs are judged at the level of measurements with the functions that
the comparison uses; `--records` pairs go through `compare_runs` as well, and the share on which
both say the same is printed. With `--untouched` the cells are of the sets of `tests/set_population`
alone, which no choice about differences was made on.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from seat_figures import (
    BAND_NAMES,
    BANDS,
    CURVE,
    LAWS,
    NOISE,
    ROOMS,
    THD,
    Seats,
    make_populations,
    make_run,
    make_untouched,
)

from voicecheck.benchspread import STATED_LEVEL_DB, STATED_SHAPE_DB
from voicecheck.records import Against
from voicecheck.verdicts import compare_runs
from voicecheck.verdicts.differences import FLOOR, Part, compute_reach, pool_variance, seat_part
from voicecheck.verdicts.limits import BAND_VARIANCE
from voicecheck.verdicts.stagepair import PRIOR_DOF

COUNTS = ((1, 1), (1, 3), (3, 1), (2, 2), (3, 3), (5, 5), (2, 5), (1, 5))
N_CHECKS = 12
CALIBRATION_DB = 0.5


@dataclass(frozen=True)
class Scene:
    """
    What is true of a bench, and what the comparison knows of it.

    `room` is that before and after. `bench_db` is the bench's true day-to-day deviation, known from
    `N_CHECKS` checks, or the stated value is taken. `calibration_db` is the standard deviation of
    each of two calibrations.
    """

    room: tuple[str, str] = ("quiet", "quiet")
    bench_db: float = 0.0
    is_stated: bool = False
    calibration_db: float = 0.0


SCENES = {
    "quiet, bench still": Scene(),
    "noisy, bench still": Scene(room=("noisy", "noisy")),
    "noisy before, quiet after": Scene(room=("noisy", "quiet")),
    "bench moves by 0.4 dB, 12 checks": Scene(bench_db=0.4),
    "bench moves by 0.4 dB, stated": Scene(bench_db=0.4, is_stated=True),
    "two calibrations of ±1 dB": Scene(calibration_db=CALIBRATION_DB),
}
STILL = Scene(bench_db=0.05)


def judge(
    before: np.ndarray, after: np.ndarray, scene: Scene, rng: np.random.Generator
) -> dict[str, np.ndarray]:
    """Whether anything is real, and anything real or doubtful; shape (n,) each."""
    kinds = {
        "response": CURVE, "level": BANDS, "shape": CURVE, "distortion": THD, "noise": NOISE,
        "linearity": LAWS,
    }  # fmt: skip
    n = len(before)
    real, told = np.zeros(n, dtype=bool), np.zeros(n, dtype=bool)
    shared = _shared_parts(scene, n, rng)
    found = np.zeros(n)
    for kind, place in kinds.items():
        sides = [side[..., place] for side in (after, before)]
        if kind == "shape":
            sides = [side - side.mean(axis=-1, keepdims=True) for side in sides]
        parts = [_seats(kind, sides, after, before), *_parts_of(kind, shared)]
        parts.append(_noise(kind, scene, (before, after)))
        reach = compute_reach(parts, family=kind, n_paths=1)
        size = np.abs(sides[0].mean(axis=-2) - sides[1].mean(axis=-2))
        real |= np.any(size > reach.real, axis=-1)
        told |= np.any(size > reach.doubt, axis=-1)
        if kind == "level":
            found = reach.found[..., 0]
    return {"real": real, "told": told, "found": found}


def _seats(kind: str, sides: list[np.ndarray], after: np.ndarray, before: np.ndarray) -> Part:
    if kind != "level":
        return seat_part(sides[0], sides[1], family=kind, prior_dof=PRIOR_DOF.get(kind, 0.0))
    variance, _ = pool_variance(after[..., CURVE], before[..., CURVE])
    whole = np.mean(np.maximum(variance, FLOOR["response"] ** 2), axis=-1, keepdims=True)
    share = np.array([BAND_VARIANCE[name] for name in BAND_NAMES])
    return seat_part(
        sides[0], sides[1], family=kind, prior_dof=PRIOR_DOF[kind], whole=whole, share=share
    )


def _noise(kind: str, scene: Scene, sides: tuple[np.ndarray, np.ndarray]) -> Part:
    """What the budgets of curve, bands, THD and idle noise state of the recordings."""
    names = {"response": "curve", "shape": "curve", "level": "bands", "distortion": "thd"}
    name = "noise" if kind == "noise" else names.get(kind)
    variances = [
        ROOMS[room][name] ** 2 / side.shape[-2] if name else 0.0
        for room, side in zip(scene.room, sides, strict=True)
    ]
    return Part(name="noise", standard=np.sqrt(np.array([sum(variances)])), drawn_dof=np.inf)


def _shared_parts(
    scene: Scene, n: int, rng: np.random.Generator
) -> Mapping[str, tuple[np.ndarray, float | None]]:
    """Standard uncertainty of a level's difference, and its degrees of freedom."""
    parts: dict[str, tuple[np.ndarray, float | None]] = {}
    if scene.is_stated:
        parts["bench"] = (np.full((n, 1), np.sqrt(2.0) * STATED_LEVEL_DB["transmit"]), None)
    elif scene.bench_db:
        checks = scene.bench_db * rng.standard_normal((n, N_CHECKS))
        known = np.std(checks, axis=1, ddof=1)[:, None]
        parts["bench"] = (np.sqrt(2.0) * known, N_CHECKS - 1.0)
    if scene.calibration_db:
        parts["calibration"] = (np.full((n, 1), np.sqrt(2.0) * scene.calibration_db), None)
    return parts


def _parts_of(kind: str, shared: Mapping[str, tuple[np.ndarray, float | None]]) -> list[Part]:
    moves = {
        "bench": {"level": 1.0, "response": 1.0, "distortion": 1.0, "linearity": 0.5},
        "calibration": {"level": 1.0, "response": 1.0, "noise": 1.0},
    }
    found = []
    for name, (standard, dof) in shared.items():
        size = standard * moves[name].get(kind, 0.0)
        if name == "bench" and dof is None and kind in ("shape", "response", "level"):
            size = np.hypot(size, np.sqrt(2.0) * STATED_SHAPE_DB["transmit"])
        found.append(
            Part(name="bench" if name == "bench" else "calibration", standard=size, dof=dof)
        )
    return found


def draw_pairs(
    seats: Seats, counts: tuple[int, int], n: int, scene: Scene, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    before, after = seats.measure_twice(counts, n, rng, room=scene.room, bench_db=scene.bench_db)
    for side in (before, after):
        wrong = scene.calibration_db * rng.standard_normal((n, 1, 1))
        for place in (CURVE, BANDS, NOISE):
            side[..., place] += wrong
    return before, after


def change_level(side: np.ndarray, change_db: float) -> np.ndarray:
    changed = side.copy()
    changed[..., CURVE] += change_db
    changed[..., BANDS] += change_db
    return changed


def print_rates(library: Mapping[str, Seats], n: int) -> None:
    out = sys.stdout
    heads = ("seats before, after", *SCENES, "1.5 dB found, bench still", "smallest found in 90")
    out.write("| " + " | ".join(heads) + " |\n|" + "---|" * len(heads) + "\n")
    for counts in COUNTS:
        cells = []
        for scene in SCENES.values():
            rates = [rate_unchanged(seats, counts, n, scene) for seats in library.values()]
            worst_real, worst_told = (max(pair[k] for pair in rates) for k in (0, 1))
            cells.append(f"{100 * worst_real:.1f} / {100 * worst_told:.1f}")
        power = [rate_found(seats, counts, n) for seats in library.values()]
        smallest = max(pair[1] for pair in power)
        shown = f"{smallest:.1f} dB" if np.isfinite(smallest) else "none"
        cells += [f"{100 * min(pair[0] for pair in power):.0f}", shown]
        out.write(f"| {counts[0]}, {counts[1]} | " + " | ".join(cells) + " |\n")
        out.flush()


def rate_unchanged(
    seats: Seats, counts: tuple[int, int], n: int, scene: Scene
) -> tuple[float, float]:
    """Shares of unchanged sets with anything real, and with anything doubtful but nothing real."""
    rng = np.random.default_rng([14, *counts])
    verdicts = judge(*draw_pairs(seats, counts, n, scene, rng), scene, rng)
    doubtful = verdicts["told"] & ~verdicts["real"]
    return float(np.mean(verdicts["real"])), float(np.mean(doubtful))


def rate_found(seats: Seats, counts: tuple[int, int], n: int) -> tuple[float, float]:
    """Share of changes of 1.5 dB that are found, and the median of the smallest change."""
    rng = np.random.default_rng([15, *counts])
    before, after = draw_pairs(seats, counts, n, STILL, rng)
    verdicts = judge(before, change_level(after, 1.5), STILL, rng)
    return float(np.mean(verdicts["real"])), float(np.median(verdicts["found"]))


def rate_agreement(library: Mapping[str, Seats], n: int) -> float:
    """Share of pairs of 3 and 3 seats that the records' way judges alike (1 dB apart, quiet)."""
    rng = np.random.default_rng(16)
    alike = []
    for seats in library.values():
        before, after = draw_pairs(seats, (3, 3), n // len(library), Scene(), rng)
        after = change_level(after, 1.0)
        expected = judge(before, after, Scene(), rng)
        for k, (first, second) in enumerate(zip(before, after, strict=True)):
            comparison = compare_runs(
                {"transmit": make_run(second, "after")},
                {"transmit": make_run(first, "before")},
                job=1, stage="after", against=Against(kind="before", name="before"),
            )  # fmt: skip
            verdict = "outside" if expected["real"][k] else "doubtful"
            alike.append(comparison.overall == (verdict if expected["told"][k] else "within"))
    return float(np.mean(alike))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--draws", type=int, default=2000)
    parser.add_argument("--records", type=int, default=99)
    parser.add_argument("--untouched", action="store_true")
    chosen = parser.parse_args()
    rng = np.random.default_rng(13)
    populations = {"untouched": make_untouched()} if chosen.untouched else make_populations()
    library = {
        name: Seats.draw(population, 40, 30, rng) for name, population in populations.items()
    }
    print_rates(library, chosen.draws)
    alike = rate_agreement(library, chosen.records)
    sys.stdout.write(f"\nThe same verdict by records: {100 * alike:.0f} of 100\n")


if __name__ == "__main__":
    main()
