"""
Frozen data types and their JSON form. No science here.

Withheld is NaN in an array and `None` elsewhere, with a `Problem` saying why; never 0.

The closed lists of words and the fields of options load without numpy, so that `--help` stays fast;
the module of a record loads when the record is asked for.
"""

from collections.abc import Iterator
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from voicecheck.records.benches import BenchCheck, BenchSetup, CheckItem, Device, StepResult
    from voicecheck.records.budgets import BudgetRow, CurveBudgetRow
    from voicecheck.records.checkout import (
        BellCheck,
        CheckList,
        CheckStep,
        DialCheck,
        DialDigit,
        DigitSpread,
        FlexCheck,
        FlexEvent,
        JackConversion,
        LineCheck,
        Ring,
        SpeechCheck,
        ToneCheck,
        ToneHeard,
        ToneName,
    )
    from voicecheck.records.clubs import ClubBaseline, ClubRecording
    from voicecheck.records.covariation import Covariation, Doubt
    from voicecheck.records.documents import from_json, to_document, to_json
    from voicecheck.records.jobs import (
        Against,
        Attachment,
        Baseline,
        BaselineQuantity,
        BenchRecord,
        Comparison,
        Event,
        Finding,
        Hint,
        Job,
        Mask,
        NormalValue,
        Run,
        SetType,
    )
    from voicecheck.records.lines import Fit, FitFinding, LineProfile
    from voicecheck.records.measurement import (
        Bands,
        Distortion,
        FineResponse,
        Intermodulation,
        Linearity,
        Loudness,
        Measurement,
        Noise,
        RecordingInfo,
        Residual,
        Response,
        Steadiness,
        Timing,
    )
    from voicecheck.records.parts import PartsCheck
    from voicecheck.records.protocol import (
        Protocol,
        ProtocolAgain,
        ProtocolFinding,
        ProtocolPart,
    )
    from voicecheck.records.selftest import SelfTest, SelfTestLine
    from voicecheck.records.signals import (
        Block,
        Calibration,
        Conditions,
        Problem,
        Programme,
        Recipe,
        Recording,
        Timeline,
    )
    from voicecheck.records.trials import Trial, TrialEvidence, TrialReading
else:

    def __getattr__(name: str) -> Any:
        """Find a record in its module, once."""
        if name not in __all__:
            message = f"module {__name__!r} has no attribute {name!r}"
            raise AttributeError(message)
        found = next(getattr(one, name) for one in _load_modules() if hasattr(one, name))
        globals()[name] = found
        return found

    def _load_modules() -> Iterator[ModuleType]:
        """One after the other, those first that others need: none is loaded for nothing."""
        from voicecheck.records import signals

        yield signals
        from voicecheck.records import budgets

        yield budgets
        from voicecheck.records import measurement

        yield measurement
        from voicecheck.records import documents

        yield documents
        from voicecheck.records import jobs

        yield jobs
        from voicecheck.records import clubs

        yield clubs
        from voicecheck.records import benches

        yield benches
        from voicecheck.records import checkout

        yield checkout
        from voicecheck.records import lines

        yield lines
        from voicecheck.records import parts

        yield parts
        from voicecheck.records import trials

        yield trials
        from voicecheck.records import protocol

        yield protocol
        from voicecheck.records import selftest

        yield selftest


__all__ = [
    "Against",
    "Attachment",
    "Bands",
    "Baseline",
    "BaselineQuantity",
    "BellCheck",
    "BenchCheck",
    "BenchRecord",
    "BenchSetup",
    "Block",
    "BudgetRow",
    "Calibration",
    "CheckItem",
    "CheckList",
    "CheckStep",
    "ClubBaseline",
    "ClubRecording",
    "Comparison",
    "Conditions",
    "Covariation",
    "CurveBudgetRow",
    "Device",
    "DialCheck",
    "DialDigit",
    "DigitSpread",
    "Distortion",
    "Doubt",
    "Event",
    "Finding",
    "FineResponse",
    "Fit",
    "FitFinding",
    "FlexCheck",
    "FlexEvent",
    "Hint",
    "Intermodulation",
    "JackConversion",
    "Job",
    "LineCheck",
    "LineProfile",
    "Linearity",
    "Loudness",
    "Mask",
    "Measurement",
    "Noise",
    "NormalValue",
    "PartsCheck",
    "Problem",
    "Programme",
    "Protocol",
    "ProtocolAgain",
    "ProtocolFinding",
    "ProtocolPart",
    "Recipe",
    "Recording",
    "RecordingInfo",
    "Residual",
    "Response",
    "Ring",
    "Run",
    "SelfTest",
    "SelfTestLine",
    "SetType",
    "SpeechCheck",
    "Steadiness",
    "StepResult",
    "Timeline",
    "Timing",
    "ToneCheck",
    "ToneHeard",
    "ToneName",
    "Trial",
    "TrialEvidence",
    "TrialReading",
    "from_json",
    "to_document",
    "to_json",
]
