"""Model check: whether a recording is of one fixed, steady, lone object on a steady chain."""

from voicecheck.modelcheck.questions import ModelCheck, check_model

__all__ = ["ModelCheck", "check_model"]
