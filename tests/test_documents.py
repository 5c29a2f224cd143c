"""The shipped JSON schemas: those of the records, and such that a wrong document fails."""

import json
from typing import Any

import factories
import pytest
import services
from documents import DOCUMENTS, FOLDER, check_document
from helpers import default_programme, measure
from known_plant import KnownPlant

from voicecheck.records.documents import to_document
from voicecheck.records.schemas import make_schema, name_file

ANEW = "run `python tests/documents.py` to make it anew"


@pytest.fixture
def document() -> Any:
    return to_document(measure(KnownPlant(noise_dbfs=-70.0), default_programme()))


@pytest.mark.parametrize(("record", "name"), DOCUMENTS.items(), ids=DOCUMENTS.values())
def test_the_shipped_schema_is_that_of_the_record(record: Any, name: Any) -> None:
    made = make_schema(record, name)
    services.need_module("jsonschema").Draft202012Validator.check_schema(made)
    text = (FOLDER / name_file(name)).read_text(encoding="utf-8")
    assert json.loads(text) == json.loads(json.dumps(made)), ANEW


def test_no_schema_is_left_over() -> None:
    assert {path.name for path in FOLDER.iterdir()} == set(map(name_file, DOCUMENTS.values()))


def test_made_documents_fit(document: Any) -> None:
    check_document(document)
    check_document(to_document(factories.make_comparison("after")))


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (lambda one: one.pop("bands"), r"measurement/1: .*\$: "),
        (lambda one: one["distortion"].pop("thd_percent"), r"\$\.distortion: "),
        (lambda one: one["bands"].update(low_db="much"), r"\$\.bands\.low_db"),
        (lambda one: one["response"].update(level_db=[[1.0], ["x"]]), r"\$\.response: "),
        (lambda one: one["problems"].append({"kind": 3}), r"\$\.problems\[0\]"),
        (lambda one: one.update(sinad_db=[]), r"\$\.sinad_db"),
    ],
)
def test_what_does_not_fit_fails(document: Any, change: Any, told: str) -> None:
    change(document)
    with pytest.raises(AssertionError, match=told):
        check_document({"inside": [document]})
