"""Two evenings with a bench of one's own: what is done, and what follows from it. Pure."""

from voicecheck.verdicts.protocol.judging import judge_protocol
from voicecheck.verdicts.protocol.steps import (
    StepKind,
    find_step,
    list_parts,
    load_steps,
)

__all__ = ["StepKind", "find_step", "judge_protocol", "list_parts", "load_steps"]
