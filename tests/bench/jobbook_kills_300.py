"""
Kills a process that works on a job book at 300 random moments and checks the book each time.

Run: python tests/bench/jobbook_kills_300.py [n_kills] [seed]
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from jobbook_kills import run_rounds


def main() -> None:
    """Print what had been reported as saved before the kills; stops at the first thing lost."""
    n_rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    said: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        for round_, counts in enumerate(run_rounds(Path(folder), n_rounds, seed), start=1):
            said += counts
            if round_ % 50 == 0:
                sys.stdout.write(f"{round_} kills, nothing lost; reported: {dict(said)}\n")
                sys.stdout.flush()
    sys.stdout.write(f"{n_rounds} kills (seed {seed}): nothing lost of {said.total()} reported\n")


if __name__ == "__main__":
    main()
