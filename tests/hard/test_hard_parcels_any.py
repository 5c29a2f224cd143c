"""
Parcels whose documents are anything that a schema of theirs allows, and parcels of any bytes.

More of them by hand:

    VOICECHECK_EXAMPLES=1000 python -m pytest tests/hard/test_hard_parcels_any.py
"""

from __future__ import annotations

import json
import os
import zipfile
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import parcels
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from voicecheck.jobbook import JobBook
from voicecheck.jobbook.parcels import PackedJob
from voicecheck.records import Baseline, Run, SetType

N_EXAMPLES = int(os.environ.get("VOICECHECK_EXAMPLES", "100"))
KINDS = {
    "set_types/001.json": SetType,
    "baselines/001.json": Baseline,
    "jobs/001/job.json": PackedJob,
    "jobs/001/runs/001.json": Run,
}
searched = settings(
    max_examples=N_EXAMPLES,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)
NUMBERS = st.floats(-200.0, 200.0) | st.floats(allow_nan=False, allow_infinity=False)
TEXTS = st.text(max_size=20) | st.sampled_from(["../../..", "\0", "transmit", "Lakeside 4"])


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> parcels.Files:
    return parcels.make_good(tmp_path_factory.mktemp("good"))


def describe_array(kind: type) -> dict[str, Any]:
    if kind is np.ndarray:
        return {"type": "array", "items": {"type": ["number", "null"]}}
    raise NotImplementedError(kind)


def change_within(draw: st.DrawFn, value: Any, schema: Any, parts: Any) -> Any:
    """A value with some of what lies in it drawn anew, of the kinds that the schema says."""
    while "$ref" in schema:
        schema = parts[schema["$ref"].rsplit("/", 1)[-1]]
    if isinstance(value, dict) and "properties" in schema and value:
        name = draw(st.sampled_from(sorted(value)))
        inner = schema["properties"].get(name, {})
        return {**value, name: change_within(draw, value[name], inner, parts)}
    if isinstance(value, list) and value and draw(st.booleans()):
        at = draw(st.integers(0, len(value) - 1))
        inner = schema.get("items") or {}
        return [*value[:at], change_within(draw, value[at], inner, parts), *value[at + 1 :]]
    return draw(draw_value(schema, parts, depth=3))


def draw_value(schema: Any, parts: Any, depth: int) -> st.SearchStrategy[Any]:
    """Anything that a schema allows, without its bounds: these are for the reader to hold."""
    if "$ref" in schema:
        return draw_value(parts[schema["$ref"].rsplit("/", 1)[-1]], parts, depth)
    if "anyOf" in schema:
        return st.one_of([draw_value(one, parts, depth) for one in schema["anyOf"]])
    if "enum" in schema:
        return st.sampled_from(schema["enum"])
    kinds = schema.get("type", ["null", "number", "string", "boolean"])
    kinds = [kinds] if isinstance(kinds, str) else kinds
    simple = {
        "null": st.none(), "boolean": st.booleans(), "number": NUMBERS, "string": TEXTS,
        "integer": st.integers(-(2**70), 2**70) | st.integers(-3, 3),
    }  # fmt: skip
    found: list[st.SearchStrategy[Any]] = [simple[kind] for kind in kinds if kind in simple]
    if "array" in kinds:
        inner = draw_value(schema.get("items") or {}, parts, depth - 1) if depth else st.none()
        found.append(st.lists(inner, max_size=4))
    if "object" in kinds:
        inner_parts = schema.get("properties", {}) if depth else {}
        found.append(
            st.fixed_dictionaries(
                {name: draw_value(one, parts, depth - 1) for name, one in inner_parts.items()}
            )
        )
    return st.one_of(found)


@st.composite
def documents(draw: st.DrawFn, files: parcels.Files) -> tuple[str, bytes]:
    name = draw(st.sampled_from(sorted(KINDS)))
    schema = msgspec.json.schema(KINDS[name], schema_hook=describe_array)
    document = json.loads(files[name])
    for _ in range(draw(st.integers(1, 3))):
        document = change_within(draw, document, schema, schema["$defs"])
    return name, json.dumps(document).encode()


def check_all(files: parcels.Files, place: Path, strategy: Any, make: Any) -> parcels.Figures:
    """Judge a parcel of each example; the book is begun anew by each hundredth."""
    figures, n = parcels.Figures(), [0]

    @searched
    @given(drawn=strategy)
    def search(drawn: Any) -> None:
        folder = place / f"book{n[0] // 100}"
        n[0] += 1
        with JobBook.open(folder) as book:
            parcels.judge(figures, book, folder, make(drawn), repr(drawn)[:300])
        assert figures.wrong == []

    search()
    return figures


def test_documents_of_the_schema(files: parcels.Files, tmp_path: Path) -> None:
    figures = check_all(
        files, tmp_path, documents(files), lambda drawn: parcels.pack({**files, drawn[0]: drawn[1]})
    )
    assert figures.outcomes["refused"] > N_EXAMPLES // 10
    assert figures.outcomes["taken in"] > N_EXAMPLES // 50


def test_parcels_of_any_bytes(files: parcels.Files, tmp_path: Path) -> None:
    """Of the packed file, from its end, where its list of files is, as often as from its start."""
    whole = parcels.pack(files, how=zipfile.ZIP_STORED)
    reach = st.integers(0, len(whole) - 1) | st.integers(-1500, -1)
    changes = st.lists(st.tuples(reach, st.binary(min_size=0, max_size=8)), max_size=4)

    def make(drawn: tuple[list[tuple[int, bytes]], int]) -> bytes:
        content = bytearray(whole)
        for at, new in drawn[0]:
            start = at % len(content)
            content[start : start + len(new)] = new
        return bytes(content[: len(content) - drawn[1]])

    cut = st.just(0) | st.integers(0, len(whole))
    figures = check_all(files, tmp_path, st.tuples(changes, cut), make)
    assert figures.outcomes["refused"] > N_EXAMPLES // 10
