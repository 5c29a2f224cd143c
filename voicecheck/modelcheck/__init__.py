"""Model check: whether a recording is of one fixed, steady, lone object on a steady chain."""

from voicecheck.modelcheck.questions import ModelCheck, check_model
from voicecheck.modelcheck.touched import list_withheld

__all__ = ["ModelCheck", "check_model", "list_withheld"]
