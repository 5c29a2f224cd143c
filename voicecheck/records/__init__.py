"""
Frozen data types and their JSON form. No science here.

Withheld is NaN in an array and `None` elsewhere, with a `Problem` saying why; never 0.
"""

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
    Response,
    Timing,
)
from voicecheck.records.signals import (
    Block,
    Calibration,
    Conditions,
    Problem,
    Programme,
    Recipe,
    Recording,
)

__all__ = [
    "Against",
    "Attachment",
    "Bands",
    "Baseline",
    "BaselineQuantity",
    "BenchRecord",
    "Block",
    "Calibration",
    "Comparison",
    "Conditions",
    "Distortion",
    "Event",
    "Finding",
    "FineResponse",
    "Hint",
    "Intermodulation",
    "Job",
    "Linearity",
    "Loudness",
    "Mask",
    "Measurement",
    "Noise",
    "NormalValue",
    "Problem",
    "Programme",
    "Recipe",
    "Recording",
    "RecordingInfo",
    "Response",
    "Run",
    "SetType",
    "Timing",
    "from_json",
    "to_document",
    "to_json",
]
