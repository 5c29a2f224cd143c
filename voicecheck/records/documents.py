"""The JSON form of the records: NaN and infinities become null, arrays become lists."""

from __future__ import annotations

from typing import Any, TypeVar

import msgspec
import numpy as np

from voicecheck.records.signals import SIMULATED

MEASUREMENT, RUN = "voicecheck.measurement/1", "voicecheck.run/1"
SCHEMAS: dict[str, str] = {
    "Measurement": MEASUREMENT,
    "Run": RUN,
    "Baseline": "voicecheck.baseline/1",
    "ClubBaseline": "voicecheck.club-baseline/1",
    "Comparison": "voicecheck.comparison/1",
    "CheckList": "voicecheck.check/1",
    "BenchSetup": "voicecheck.bench/1",
    "StepResult": "voicecheck.calibration-step/1",
    "BenchCheck": "voicecheck.bench-check/1",
    "Trial": "voicecheck.trial/1",
    "Fit": "voicecheck.fit/1",
    "LineProfile": "voicecheck.line-profile/1",
    "ProtocolPart": "voicecheck.protocol-part/1",
    "Protocol": "voicecheck.protocol/1",
    "ProtocolAgain": "voicecheck.protocol-again/1",
    "SelfTest": "voicecheck.selftest/1",
}
"""
Schema of each record that is a document of its own; a check's is with its kind.

By the record's name: a table of the records themselves would load all of them.
"""

Record = TypeVar("Record")


def _encode(value: Any) -> Any:
    if isinstance(value, np.ndarray):
        return np.where(np.isfinite(value), value, np.nan).tolist()
    if isinstance(value, np.generic):
        return value.item()
    message = f"no JSON form for {type(value).__name__}"
    raise NotImplementedError(message)


def _decode(kind: type, value: Any) -> Any:
    del kind  # arrays are the only type of ours
    if value is None:
        return None
    return np.array(_nan_for_null(value), dtype=np.float64)


def _nan_for_null(value: Any) -> Any:
    if isinstance(value, list):
        return [_nan_for_null(item) for item in value]
    return float("nan") if value is None else value


def to_document(record: Any) -> dict[str, Any]:
    """
    JSON document of a record as plain dicts and lists.

    Parameters
    ----------
    record : record
        Any of the frozen data types.

    Returns
    -------
    dict
        With a `schema` key first where the record has a schema; a run's pooled measurement
        carries `seat_sd_db` as the contract has it. What rests on a simulated recording says so
        (`"simulated": true`).
    """
    document: dict[str, Any] = msgspec.json.decode(msgspec.json.encode(record, enc_hook=_encode))
    schema = SCHEMAS.get(type(record).__name__)
    if schema == RUN:
        for measurement in (*document["recordings"], document["pooled"]):
            measurement["schema"] = MEASUREMENT
            _shout(measurement, measurement["conditions"]["bench"])
        document["pooled"]["seat_sd_db"] = document["seat_sd_db"]
    if getattr(record, "is_simulated", False):
        document["simulated"] = True
    return {"schema": schema, **document} if schema else document


def _shout(document: dict[str, Any], bench: str) -> None:
    if bench == SIMULATED:
        document["simulated"] = True


def to_json(record: Any) -> bytes:
    """
    JSON text of a record, UTF-8, one line.

    See Also
    --------
    from_json : the way back.
    """
    return msgspec.json.encode(to_document(record))


def format_json(document: Any) -> str:
    """
    JSON text of a plain document, indented for reading.

    Examples
    --------
    >>> print(format_json({"job": 1}))
    {
      "job": 1
    }
    """
    return msgspec.json.format(msgspec.json.encode(document), indent=2).decode("utf-8")


def is_too_deep(text: bytes | str) -> bool:
    """
    Whether a text holds lists inside of lists that no reader follows: it was made to break one.

    Examples
    --------
    >>> is_too_deep("[" * 200_000), is_too_deep("[[1]]"), is_too_deep("no JSON")
    (True, False, False)
    """
    try:
        msgspec.json.decode(text, type=msgspec.Raw)
    except RecursionError:
        return True
    except (msgspec.MsgspecError, UnicodeDecodeError):
        return False
    return False


def from_json(text: bytes | str, kind: type[Record]) -> Record:
    """
    Read a record back; checks types.

    Parameters
    ----------
    text : bytes or str
        As `to_json` writes it; unknown keys are passed over.
    kind : type
        The record type.

    Returns
    -------
    record

    Raises
    ------
    msgspec.ValidationError
        The document does not fit the type; the message names the place.
    """
    try:
        return msgspec.json.decode(text, type=kind, dec_hook=_decode)
    except RecursionError as error:
        raise msgspec.ValidationError("Lists inside of lists, deeper than any record") from error
    except OverflowError as error:
        raise msgspec.ValidationError("A number larger than any that is measured") from error
