"""Healthy sets as several benches read them, each of which lies off by a level of its own."""

from __future__ import annotations

import dataclasses

import numpy as np
from set_population import Population, draw_set, measure_set

from voicecheck.records import Baseline, Run
from voicecheck.verdicts import build_baseline, pool_run

POPULATION = Population(sd_db=1.0, n_seats=2)


def take_on_bench(random: np.random.Generator, offset_db: float, job: int, bench: str) -> Run:
    """One healthy set as a bench reads it that lies off by so much."""
    measured = []
    for one in measure_set(POPULATION, draw_set(POPULATION, random), random):
        assert one.response is not None
        response = dataclasses.replace(one.response, level_db=one.response.level_db + offset_db)
        names = ("low_db", "mid_db", "high_db", "at_1khz_db")
        levels = {name: getattr(one.bands, name) + offset_db for name in names}
        conditions = one.conditions.replace(bench=bench, calibration=f"{bench}, spring")
        bands = dataclasses.replace(one.bands, **levels)
        measured.append(one.replace(response=response, bands=bands, conditions=conditions))
    return pool_run(measured, job=job, path="transmit", stage="reference")


def build_on_bench(
    random: np.random.Generator, n_sets: int, offset_db: float, bench: str
) -> Baseline:
    runs = [take_on_bench(random, offset_db, job, bench) for job in range(1, n_sets + 1)]
    return build_baseline(runs, type_name="Hillview 2", path="transmit")
