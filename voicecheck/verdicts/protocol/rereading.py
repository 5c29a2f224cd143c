"""What another version reads otherwise from the same recordings, and what of it matters."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from voicecheck.records import Measurement, Protocol, ProtocolPart
from voicecheck.records.arrays import Array
from voicecheck.records.protocol import ChangedFigure, ChangedVerdict
from voicecheck.verdicts.protocol.steps import load_steps

SAME_SHARE = 1e-9
"""What differs by less is the same number."""


def find_changed_figures(was: ProtocolPart, now: ProtocolPart) -> list[ChangedFigure]:
    """
    Figures of a part that are others; one that is withheld on one side only is beyond.

    Parameters
    ----------
    was, now : ProtocolPart
    """
    found = []
    for name in dict.fromkeys((*was.figures, *now.figures)):
        off = was.uncertainty.get(name)
        changed = _compare(was.part, name, (was.figures.get(name), now.figures.get(name)), off)
        if changed is not None:
            found.append(changed)
    return found


def find_changed_curves(
    part: str, number: int, was: Measurement, now: Measurement
) -> list[ChangedFigure]:
    """
    Response and THD of a take, each by the point that moved furthest beyond its interval.

    Parameters
    ----------
    part : str
    number : int
        Of the take, from 1.
    was, now : Measurement
    """
    curves: list[tuple[str, str, Array, Array, Array, Array, Array]] = []
    if was.response is not None and now.response is not None:
        old, new = was.response, now.response
        curves.append((
            "curve", "db", old.frequency_hz, old.level_db, old.uncertainty_db,
            new.frequency_hz, new.level_db,
        ))  # fmt: skip
    if was.distortion is not None and now.distortion is not None:
        bent, anew = was.distortion, now.distortion
        curves.append((
            "thd", "percent", bent.frequency_hz, bent.thd_percent, bent.thd_uncertainty_percent,
            anew.frequency_hz, anew.thd_percent,
        ))  # fmt: skip
    found = []
    for name, unit, hz, before, off, new_hz, after in curves:
        if not np.array_equal(hz, new_hz):
            continue
        # Where one side is withheld there is nothing to compare; figures tell that by themselves.
        beyond = np.nan_to_num(np.abs(after - before) - np.nan_to_num(off), nan=-np.inf)
        worst = int(np.argmax(beyond))
        label = f"{name}_{number}_at_{hz[worst]:.0f}_hz_{unit}"
        pair = (_known(before[worst]), _known(after[worst]))
        changed = _compare(part, label, pair, _known(off[worst]))
        if changed is not None:
            found.append(changed)
    return found


def find_changed_verdicts(was: Protocol, now: Protocol) -> tuple[ChangedVerdict, ...]:
    """
    Findings and rounds that are judged otherwise; one that is gone or new is so, too.

    Parameters
    ----------
    was, now : Protocol
    """
    before = {(one.step, one.quantity): str(one.verdict) for one in was.findings}
    after = {(one.step, one.quantity): str(one.verdict) for one in now.findings}
    before |= _list_answers(was.parts)
    after |= _list_answers(now.parts)
    steps = [*load_steps(), *(one.part for one in now.parts)]
    keys = sorted(before.keys() | after.keys(), key=lambda one: (*steps, one[0]).index(one[0]))
    return tuple(
        ChangedVerdict(
            step=key[0],
            quantity=key[1],
            was=before.get(key, "not tested"),
            now=after.get(key, "not tested"),
        )
        for key in keys
        if before.get(key, "not tested") != after.get(key, "not tested")
    )


def _list_answers(parts: Iterable[ProtocolPart]) -> dict[tuple[str, str], str]:
    return {(one.part, "answer"): one.answer for one in parts if one.answer}


def _known(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _compare(
    part: str, name: str, pair: tuple[float | None, float | None], off: float | None
) -> ChangedFigure | None:
    was, now = pair
    if was == now:
        return None
    is_beyond = True
    if was is not None and now is not None:
        step = abs(now - was)
        if step <= SAME_SHARE * max(abs(was), abs(now)):
            return None
        is_beyond = off is None or step > off
    return ChangedFigure(
        part=part, figure=name, was=was, now=now, uncertainty=off, is_beyond=is_beyond
    )
