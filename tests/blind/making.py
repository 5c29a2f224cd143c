"""A sealed recording: its sound, its truth in a file apart, and the hash that is told first."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import tempfile
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from blind import slow
from blind.plan import Block, Plan, draw_plan, write_plan
from blind.truth import list_figures, list_untouched

SOURCE = Path(__file__).with_name("plant.c")
RECORDING, TRUTH = "recording.wav", "truth.json"


@dataclass(frozen=True)
class Sealed:
    """Where a recording and its truth lie, and what the truth's bytes hash to (SHA-256)."""

    recording: Path
    truth: Path
    seal: str


def compile_plant(folder: Path) -> Path | None:
    """The sound's maker in C, None where this machine has no compiler of C."""
    compiler = shutil.which("cc") or shutil.which("gcc")
    if compiler is None:
        return None
    program = folder / "plant"
    # Without contraction both writings of the plant round alike.
    flags = ["-O2", "-std=c99", "-ffp-contract=off", "-o", str(program), str(SOURCE), "-lm"]
    subprocess.run([compiler, *flags], check=True, capture_output=True)
    return program


def read_blocks(description: Path) -> tuple[int, list[Block]]:
    """Rate and blocks of a programme, from the JSON document that it came with."""
    document = json.loads(description.read_text(encoding="utf-8"))
    names = ("kind", "start_s", "end_s", "peak", "from_hz", "to_hz")
    blocks = [Block(*(block[name] for name in names)) for block in document["blocks"]]
    return int(document["rate_hz"]), blocks


def play(plan: Plan, programme: Path, recording: Path, program: Path | None) -> float:
    """Make the sound, in C where there is a compiled program; its largest sample."""
    if program is None:
        return slow.play(plan, programme, recording)
    with tempfile.TemporaryDirectory() as folder:
        text = Path(folder) / "plan.txt"
        text.write_text(write_plan(plan), encoding="ascii")
        done = subprocess.run(
            [program, text, programme, recording], check=True, capture_output=True, text=True
        )
    return float(done.stdout)


def make_sealed(
    folder: Path,
    programme: Path,
    description: Path,
    *,
    seed: int | None = None,
    program: Path | None = None,
) -> Sealed:
    """
    Make one sealed recording in a folder.

    Without a seed it is a secret of the machine's own, so that nobody can make the truth again from
    a number that is easily tried.
    """
    folder.mkdir(parents=True, exist_ok=True)
    secret = int.from_bytes(os.urandom(16), "big") if seed is None else seed
    rate_hz, blocks = read_blocks(description)
    plan = draw_plan(secret, rate_hz, blocks)
    while play(plan, programme, folder / RECORDING, program) >= 1.0:
        # The full scale of the recorder would be a fault that is not in the plan.
        plan = quieter(plan)
    truth = json.dumps(tell(plan, blocks, secret, program), indent=1) + "\n"
    (folder / TRUTH).write_text(truth, encoding="utf-8")
    return Sealed(folder / RECORDING, folder / TRUTH, find_seal(folder / TRUTH))


def quieter(plan: Plan) -> Plan:
    """The same 6 dB weaker, and its clipping with it."""
    fault = replace(plan.fault, size=plan.fault.size / 2)
    return replace(plan, gain=plan.gain / 2, fault=fault)


def tell(plan: Plan, blocks: Sequence[Block], seed: int, program: Path | None) -> dict[str, object]:
    return {
        "schema": "blind.truth/1",
        "seed": seed,
        "sound_made_in": "Python" if program is None else "C",
        "figures": [asdict(figure) for figure in list_figures(plan, blocks)],
        "fault": plan.fault.kind,
        "must_be_named": plan.fault.is_plain,
        "untouched": list_untouched(plan),
        "plan": asdict(plan),
    }


def find_seal(truth: Path) -> str:
    """SHA-256 of the truth's bytes."""
    return hashlib.sha256(truth.read_bytes()).hexdigest()
