"""
Every writing command killed and on failing disks, as often as is wanted.

    PYTHONPATH=tests python tests/hard/trouble.py --kills 20 --disks 10 --seed 1
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

import numpy as np
from command_kills import KILLED, Figures, Trial, kill_often
from disks import break_often, mount_disk
from writers import make_place


def tell(what: str, figures: Figures) -> list[str]:
    """The figures in lines."""
    ends = ", ".join(f"{end}: {n}" for end, n in sorted(figures.ends.items()))
    return [f"{figures.n} {what}: {ends}; {len(figures.wrong)} wrong", *figures.wrong]


def main() -> None:
    """Print the figures; exit status 1 where anything ended as it must not."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=20, help="of each command")
    parser.add_argument("--disks", type=int, default=10, help="failures of each kind")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", nargs="*", default=KILLED, help="commands, all if left out")
    asked = parser.parse_args()
    killed, broken = Figures(), Figures()
    with tempfile.TemporaryDirectory() as folder, mount_disk(Path(folder) / "disk") as is_disk:
        place = Path(folder) / "disk"
        make_place(place / "origin")
        for name in asked.only:
            rng = np.random.default_rng([asked.seed, *name.encode()])
            trial = Trial(name, place / "origin", place / "place")
            kill_often(trial, asked.kills, rng, killed)
            break_often(trial, rng, broken, n=asked.disks, is_disk=is_disk)
            so_far = f"{killed.n} kills, {broken.n} failures of a disk so far"
            sys.stderr.write("\n".join([f"{name}: {so_far}", *killed.wrong, *broken.wrong]) + "\n")
    where = "disk" if is_disk else "limits and rights in the place of a disk"
    lines = [
        f"seed {asked.seed}, {len(asked.only)} commands with {killed.n_moments} moments, {where}",
        *tell("kills", killed),
        *tell("failures of a disk", broken),
    ]
    sys.stdout.write("\n".join(lines) + "\n")
    sys.exit(bool(killed.wrong or broken.wrong))


if __name__ == "__main__":
    main()
