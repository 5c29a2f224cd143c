"""Make sealed recordings, and judge the program's answers to them."""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from pathlib import Path

from blind.judging import BrokenSealError, judge
from blind.making import compile_plant, make_sealed


def make(asked: argparse.Namespace) -> int:
    with tempfile.TemporaryDirectory() as folder:
        program = None if asked.python else compile_plant(Path(folder))
        sealed = make_sealed(
            asked.folder, asked.programme, asked.description, seed=asked.seed, program=program
        )
    told = {
        "seal_sha256": sealed.seal,
        "recording": str(sealed.recording),
        "truth": str(sealed.truth),
        "sound_made_in": "Python" if program is None else "C",
    }
    sys.stdout.write(json.dumps(told, indent=1) + "\n")
    return 0


def tell_verdicts(asked: argparse.Namespace) -> int:
    answer = json.loads(asked.answer.read_text(encoding="utf-8"))
    try:
        found = judge(answer, asked.truth, asked.seal)
    except BrokenSealError as error:
        sys.stderr.write(f"{error}\n")
        return 2
    for one in found:
        sys.stdout.write(f"{one.line}\n")
    count = dict.fromkeys(("hit", "miss", "withheld", "touched"), 0)
    for one in found:
        count[one.verdict] += 1
    sys.stdout.write(", ".join(f"{n} {verdict}" for verdict, n in count.items()) + "\n")
    return 0


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m blind", description=__doc__)
    commands = parser.add_subparsers(required=True)
    one = commands.add_parser("make", help="a sealed recording")
    one.add_argument("folder", type=Path, help="where recording.wav and truth.json go")
    one.add_argument("--programme", type=Path, required=True, help="the WAV file that is played")
    one.add_argument("--description", type=Path, required=True, help="its JSON document")
    one.add_argument("--seed", type=int, help="default: a secret one")
    one.add_argument("--python", action="store_true", help="plain Python even where there is C")
    one.set_defaults(work=make)
    one = commands.add_parser("judge", help="an answer by the opened truth")
    one.add_argument("answer", type=Path, help="JSON document of the recording's analysis")
    one.add_argument("truth", type=Path)
    one.add_argument("--seal", required=True, help="the hash that was told")
    one.set_defaults(work=tell_verdicts)
    asked = parser.parse_args()
    return int(asked.work(asked))


if __name__ == "__main__":
    sys.exit(main())
