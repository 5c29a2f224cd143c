"""Hit or miss, figure by figure: the program's answer and the opened truth."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from blind.making import find_seal

NAMED = {
    "dropout": {"dropout"},
    "burst": {"burst"},
    "lost-samples": {"lost-samples", "dropout"},
    "clipping": {"clipping", "overload"},
}
"""Which kinds of problem name a planted fault."""
NO_FAULT = {"mains", "drift", "noise", "short-silence", "too-quiet", "too-few-steps"}
"""Kinds that tell of the bench and the room; any other one accuses a recording without a fault."""


class BrokenSealError(Exception):
    """The truth is not the one whose hash was told."""


@dataclass(frozen=True)
class Said:
    """An answer: a value with the ends of its interval, or nothing but an upper end."""

    value: float | None
    low: float
    high: float


@dataclass(frozen=True)
class Judged:
    """One figure: `verdict` is hit, miss, withheld (no answer) or touched (the fault bends it)."""

    name: str
    at: float | None
    unit: str
    truth: float | str
    said: str
    verdict: str

    @property
    def line(self) -> str:
        place = "" if self.at is None else f" at {self.at:g}"
        truth = self.truth if isinstance(self.truth, str) else f"{self.truth:.4f}"
        return f"{self.verdict:9} {self.name}{place}: true {truth}, said {self.said} {self.unit}"


def judge(answer: Mapping[str, Any], truth_file: Path, seal: str) -> list[Judged]:
    """
    Judge one document of the program by the truth of its recording.

    Raises
    ------
    BrokenSealError
        Where the truth's hash is not the one that was told.
    """
    if find_seal(truth_file) != seal:
        raise BrokenSealError(f"{truth_file} does not hash to {seal}: nothing is judged by it")
    truth = json.loads(truth_file.read_text(encoding="utf-8"))
    found = [judge_fault(answer, truth["fault"], truth["must_be_named"])]
    for figure in truth["figures"]:
        said = READERS[figure["name"]](answer, figure)
        one = judge_figure(figure, said, figure["name"] in truth["untouched"])
        found.append(one)
    return found


def judge_fault(answer: Mapping[str, Any], fault: str, must_be_named: bool) -> Judged:
    """A plain fault must be named, a faint one may be; a sound recording must not be accused."""
    kinds = {problem["kind"] for problem in answer["problems"]}
    if must_be_named and fault != "none":
        right = bool(kinds & NAMED[fault])
    else:
        right = not kinds - NO_FAULT - NAMED.get(fault, set())
    said = ", ".join(sorted(kinds)) or "none"
    return Judged("fault", None, "", fault, said, "hit" if right else "miss")


def judge_figure(figure: Mapping[str, Any], said: Said | None, is_untouched: bool) -> Judged:
    true = figure["value"]
    if said is None:
        verdict, words = "withheld", "nothing"
    else:
        verdict = "hit" if said.low <= true <= said.high else "miss"
        value = "" if said.value is None else f"{said.value:.4f} in "
        words = f"{value}{said.low:.4f} to {said.high:.4f}"
    if not is_untouched:
        verdict = "touched"
    return Judged(figure["name"], figure["at"], figure["unit"], true, words, verdict)


def around(value: float | None, half_width: float | None) -> Said | None:
    if value is None or half_width is None:
        return None
    return Said(value, value - half_width, value + half_width)


def around_key(part: Mapping[str, Any] | None, value: str, half_width: str) -> Said | None:
    """What a part of the answer says; a refused recording has no such part."""
    return None if part is None else around(part[value], part[half_width])


def place_of(values: list[float], at: float) -> int | None:
    for index, value in enumerate(values):
        if math.isclose(value, at, rel_tol=1e-6, abs_tol=1e-6):
            return index
    return None


def read_level(answer: Mapping[str, Any], figure: Mapping[str, Any]) -> Said | None:
    return around_key(answer.get("bands"), "at_1khz_db", "at_1khz_uncertainty_db")


def read_response(answer: Mapping[str, Any], figure: Mapping[str, Any]) -> Said | None:
    response = answer.get("response")
    if response is None or (k := place_of(response["frequency_hz"], figure["at"])) is None:
        return None
    return around(response["level_db"][k], response["uncertainty_db"][k])


def read_share(part: Mapping[str, Any] | None, axis: str, at: float) -> Said | None:
    """A share of distortion in percent, or what it is less than."""
    if part is None or (k := place_of(part[axis], at)) is None:
        return None
    if (below := part["thd_below_percent"][k]) is not None:
        return Said(None, 0.0, below)
    return around(part["thd_percent"][k], part["thd_uncertainty_percent"][k])


def read_thd(answer: Mapping[str, Any], figure: Mapping[str, Any]) -> Said | None:
    return read_share(answer.get("distortion"), "frequency_hz", figure["at"])


def read_step_thd(answer: Mapping[str, Any], figure: Mapping[str, Any]) -> Said | None:
    return read_share(answer.get("linearity"), "input_db", figure["at"])


def read_step(answer: Mapping[str, Any], figure: Mapping[str, Any]) -> Said | None:
    steps = answer.get("linearity")
    if steps is None or (k := place_of(steps["input_db"], figure["at"])) is None:
        return None
    return around(steps["output_db"][k], steps["output_uncertainty_db"][k])


def read_noise(answer: Mapping[str, Any], figure: Mapping[str, Any]) -> Said | None:
    return around_key(answer.get("noise"), "flat_dbfs", "flat_uncertainty_db")


def read_drift(answer: Mapping[str, Any], figure: Mapping[str, Any]) -> Said | None:
    return around_key(answer.get("timing"), "drift_ppm", "drift_uncertainty_ppm")


def read_hum(answer: Mapping[str, Any], figure: Mapping[str, Any]) -> Said | None:
    return around((answer.get("noise") or {}).get("mains_hz"), figure["tolerance"])


def read_hum_level(answer: Mapping[str, Any], figure: Mapping[str, Any]) -> Said | None:
    return around((answer.get("noise") or {}).get("mains_dbfs"), figure["tolerance"])


READERS: dict[str, Callable[[Mapping[str, Any], Mapping[str, Any]], Said | None]] = {
    "level": read_level,
    "response": read_response,
    "thd": read_thd,
    "step": read_step,
    "step-thd": read_step_thd,
    "noise": read_noise,
    "drift": read_drift,
    "hum": read_hum,
    "hum-level": read_hum_level,
}
