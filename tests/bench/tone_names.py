"""
Every row of both lists of national tones, drawn anew, and the name it is told by.

    python tests/bench/tone_names.py [draws of each row] [first seed]

Sounds are made here from the table's text; nothing of the program's reading of it is used. Figures:
`tone_names.md`.
"""

import re
import sys
import time
from collections import Counter
from typing import Any

import numpy as np

from voicecheck.bench.simulated.tables import load_rows
from voicecheck.checkout.tones.progress import find_progress_tones

TABLE = "standards/itu_t_e180_tones.csv"
KINDS = {
    "dial": "dial-tone",
    "ringback": "ringing",
    "busy": "busy",
    "reorder": "reorder",
    "congestion": "reorder",
    "number": "number-unobtainable",
}
RATE_HZ = 8000
SNR_DB, LEVEL_DBFS = (15.0, 40.0), (-40.0, -10.0)
FREQUENCY_PERCENT, CADENCE_PERCENT = 1.5, 8.0
"""AS/CA S002:2010 5.3.4: 10 Hz at 425 (2.4 %) and 10 % of the cadence; each part 1 % more."""


def list_rows() -> list[Any]:
    """Rows of national tones, with their kind."""
    return [
        (KINDS[row["tone"].split()[0]], row)
        for row in load_rows(TABLE)
        if row["tone"].split()[0] in KINDS and not row["region"].startswith("any")
    ]


def make_sound(row: Any, seed: int) -> Any:
    """A tone within its tolerance, from a random place in its cadence on, in white noise."""
    rng = np.random.default_rng(seed)
    parts = [float(text) for text in re.findall(r"([0-9.]+) o(?:n|ff)", row["cadence_on_off_s"])]
    texts = row["frequency_hz"].split(" then ")
    by = 1.0 + 0.01 * rng.uniform(-FREQUENCY_PERCENT, FREQUENCY_PERCENT)
    pace = 1.0 + 0.01 * rng.uniform(-CADENCE_PERCENT, CADENCE_PERCENT)
    bursts, now_s = [], rng.uniform(0.3, 0.8)
    if not parts:
        bursts, now_s = [(now_s, now_s + 5.0, texts[0])], now_s + 5.0
    else:
        n_cycles = max(2, round(6.0 / sum(parts)))
        for index in range(n_cycles * len(parts)):
            part = index % len(parts)
            length_s = parts[part] * pace * (1.0 + 0.01 * rng.uniform(-1.0, 1.0))
            if part % 2 == 0:
                bursts.append((now_s, now_s + length_s, texts[part // 2 % len(texts)]))
            now_s += length_s
    # An exchange interrupts a tone that runs on.
    phases = {term: rng.uniform(0.0, 6.28) for text in texts for term in text.split("+")}
    time_s = np.arange(round((now_s + 0.8) * RATE_HZ)) / RATE_HZ
    sound = np.zeros(len(time_s))
    for start_s, end_s, text in bursts:
        is_on = (time_s >= start_s) & (time_s < end_s)
        for term in text.split("+"):
            carrier, _, modulation = term.partition("*")
            angle = 2.0 * np.pi * by * time_s[is_on]
            wave = np.sin(float(carrier) * angle + phases[term])
            if modulation:
                wave *= 0.5 + 0.45 * np.sin(float(modulation) * angle)
            sound[is_on] += wave
    size = 10.0 ** (0.05 * rng.uniform(*LEVEL_DBFS))
    noise = rng.standard_normal(len(sound)) * size * np.sqrt(0.5)
    return size * sound + noise * 10.0 ** (-0.05 * rng.uniform(*SNR_DB))


def judge(kind: str, row: Any, events: Any) -> str:
    """How a tone was told: by its name, by several of which one is its, not at all, wrongly."""
    if not events:
        return "not told"
    region, _, _ = row["region"].partition(" before ")
    longest = max(events, key=lambda event: event.end_s - event.start_s)
    has_name = (kind, region) in {(name.name, name.region) for name in longest.names}
    if longest.kind == kind:
        return "named" if has_name else "named, row missed"
    if longest.kind != "tone":
        return "wrong name"
    return "several names" if has_name else "unnamed"


def tally(n: int, first_seed: int, *, is_region_known: bool) -> Any:
    """Outcomes by kind, rows that were not right, and seconds of processor per second of sound."""
    counts: dict[str, Counter[str]] = {}
    missed: Counter[Any] = Counter()
    spent_s = made_s = 0.0
    for at, (kind, row) in enumerate(list_rows()):
        for seed in range(first_seed, first_seed + n):
            sound = make_sound(row, 1000 * seed + at)
            began_s = time.process_time()
            region = row["region"] if is_region_known else ""
            events = find_progress_tones(sound, RATE_HZ, region)
            spent_s += time.process_time() - began_s
            made_s += len(sound) / RATE_HZ
            found = judge(kind, row, events)
            counts.setdefault(kind, Counter())[found] += 1
            if found not in {"named", "several names"}:
                missed[row["region"], row["tone"], row["frequency_hz"], found] += 1
    return counts, missed, spent_s / made_s


def main() -> None:
    """Print both tables."""
    n, first_seed = (int(text) for text in [*sys.argv[1:], "2", "1"][:2])
    for is_known in (True, False):
        counts, missed, share = tally(n, first_seed, is_region_known=is_known)
        told = "its region named" if is_known else "no region named"
        lines = [f"\n{told}; processor {share:.4f} of the length\n"]
        outcomes = ["named", "several names", "unnamed", "named, row missed", "wrong name"]
        outcomes.append("not told")
        lines += [f"| sent | {' | '.join(outcomes)} |", "|---" * (1 + len(outcomes)) + "|"]
        for kind, found in counts.items():
            lines.append(f"| {kind} | {' | '.join(str(found[one]) for one in outcomes)} |")
        lines += [f"{times} of {row}" for row, times in missed.most_common()]
        sys.stdout.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
