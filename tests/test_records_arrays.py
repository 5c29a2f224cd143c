# mypy: disable-error-code="arg-type"
"""Arrays inside records are read-only copies, whatever the words of their type are."""

import dataclasses
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from jobbook_samples import draw_measurement
from numpy.typing import NDArray

from voicecheck.records.arrays import Array, freeze_arrays


@dataclasses.dataclass(frozen=True)
class Spelled:
    """Types as objects and as text, with and without `None`."""

    plain: Array
    other_name: NDArray[np.float64]
    as_text: "NDArray[np.float64] | None"
    as_words: "Array | None"
    missing: Array | None
    rows: tuple[list[float], ...]
    number: float

    def __post_init__(self) -> None:
        freeze_arrays(self)


def test_every_spelling_of_an_array_is_frozen_and_nothing_else() -> None:
    given = [1.0, 2.0]
    record = Spelled(given, given, given, given, None, (given,), 3)
    for name in ("plain", "other_name", "as_text", "as_words"):
        value = getattr(record, name)
        assert value.dtype == np.float64
        assert value.tolist() == given
        with pytest.raises(ValueError, match="read-only"):
            value[0] = 5.0
    assert record.missing is None
    assert record.rows[0] is given
    assert record.number == 3
    assert isinstance(record.number, int)


def test_no_array_of_a_measurement_can_be_written() -> None:
    def walk(record: Any) -> Iterator[Any]:
        for field in dataclasses.fields(record):
            value = getattr(record, field.name)
            if isinstance(value, np.ndarray):
                yield f"{type(record).__name__}.{field.name}", value
            elif dataclasses.is_dataclass(value):
                yield from walk(value)

    arrays = dict(walk(draw_measurement()))
    assert {"Response.level_db", "Distortion.harmonic_db"} <= set(arrays)
    assert [name for name, value in arrays.items() if value.flags.writeable] == []
