"""The JSON Schema (draft 2020-12) of each document, made from its record."""

from __future__ import annotations

from typing import Any

import msgspec
import numpy as np

from voicecheck.records.jobs import Run

DIALECT = "https://json-schema.org/draft/2020-12/schema"
NUMBER = {"type": ["number", "null"]}
"""Whatever is withheld is null in a document, and any number may be."""
ARRAY = {"type": "array", "items": {"type": ["number", "null", "array"], "items": NUMBER}}
"""Numbers in a row, or in rows of rows: no record holds more dimensions."""

UNUSABLE = {"required": ["schema", "problems"], "maxProperties": 2}
"""What is said of a recording that nothing could be measured on."""


def name_file(schema: str) -> str:
    """
    File name of a schema among those that are shipped.

    Examples
    --------
    >>> name_file("voicecheck.measurement/1")
    'measurement-1.json'
    """
    return schema.removeprefix("voicecheck.").replace("/", "-") + ".json"


def make_schema(record: type, name: str) -> dict[str, Any]:
    """
    Describe the document of a record as `to_document` writes it.

    Every key is always written, hence required, but where nothing could be measured: then there
    are problems alone. Further keys may come with a later version.

    Parameters
    ----------
    record : type
        One that is a document of its own.
    name : str
        Of its schema, as "voicecheck.run/1".

    Returns
    -------
    dict
        JSON Schema; arrays are lists of numbers, or lists of such lists.
    """
    made = _loosen(msgspec.json.schema(record, schema_hook=_describe_array))
    parts = made.pop("$defs")
    if record is Run:
        # A run's measurements are documents themselves; the pooled one has the spread of seats.
        parts["Measurement"]["properties"]["seat_sd_db"] = {"$ref": "#/$defs/Array"}
    own = parts[record.__name__]
    own["properties"] = {"schema": {"const": name}, **own["properties"]}
    every = ["schema", *own.pop("required")]
    own["anyOf"] = [{"required": every}]
    if "problems" in every:
        own["anyOf"].append(UNUSABLE)
    parts["Array"] = ARRAY
    return {"$schema": DIALECT, "title": name, **made, "$defs": parts}


def _describe_array(kind: type) -> dict[str, Any]:
    if kind is np.ndarray:
        return {"$ref": "#/$defs/Array"}
    message = f"no JSON form for {kind.__name__}"
    raise NotImplementedError(message)


def _loosen(part: Any) -> Any:
    """Let any number be null, and require every key; a default is of reading, not of writing."""
    if isinstance(part, list):
        return [_loosen(one) for one in part]
    if not isinstance(part, dict):
        return part
    if part.get("type") == "number":
        return {**part, **NUMBER}
    kept = {key: _loosen(value) for key, value in part.items() if key != "default"}
    if part.get("type") == "object" and "properties" in part:
        kept["properties"] = {key: _loosen(one) for key, one in part["properties"].items()}
        kept["required"] = list(part["properties"])
    return kept
