"""
The error tree: one class per exit code.

VoicecheckError
    InputError       2  wrong use: unknown name, value out of range (also a ValueError)
    RecordingError   3  the recording cannot be used, or a parcel that no reader could read
    BenchError       4  the bench failed
    JobBookError     5  the job book failed

A message names the thing, what is needed, what was got, and what to do next.
"""

from __future__ import annotations


class VoicecheckError(Exception):
    """Base of every error that the user is told in one line."""

    exit_code = 1


class InputError(VoicecheckError, ValueError):
    """Wrong use: an unknown name or a value out of range."""

    exit_code = 2


class RecordingError(VoicecheckError):
    """
    The recording cannot be used: not audio, silent, wrong programme.

    Parameters
    ----------
    message : str
        One line for the user.
    kind : str
        Machine-readable kind of the problem, as in `Problem.kind`.
    at_s : float, optional
        Where in the recording, seconds.
    """

    exit_code = 3

    def __init__(self, message: str, kind: str = "unusable", at_s: float | None = None) -> None:
        super().__init__(message)
        self.kind = kind
        self.at_s = at_s


class BenchError(VoicecheckError):
    """The bench failed: no device, unplugged, output cap would be exceeded."""

    exit_code = 4


class JobBookError(VoicecheckError):
    """The job book failed: not writable, full, newer than this program, damaged."""

    exit_code = 5
