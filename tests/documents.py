"""Every document that a test makes is held against the schema that is shipped with the program."""

from __future__ import annotations

import json
from functools import lru_cache
from pathlib import Path
from typing import Any

from services import need_module

from voicecheck import records
from voicecheck.records.documents import SCHEMAS, format_json
from voicecheck.records.schemas import make_schema, name_file
from voicecheck.workflow.checks.kinds import list_kinds
from voicecheck.workflow.selftest.standards import DIGESTS, compute_digest, read_data

DATA = Path(__file__).parents[1] / "voicecheck" / "data"
FOLDER = DATA / "schemas"
DIGESTED = (
    "standards/*.csv",
    "masks/*.csv",
    "test_loops.csv",
    "line_impedances.csv",
    "line_loss.csv",
)
"""Tables of standards, which a self-test holds against what was shipped."""
DOCUMENTS: dict[type, str] = {getattr(records, name): schema for name, schema in SCHEMAS.items()}
DOCUMENTS |= {kind.load_record(): kind.schema for kind in list_kinds()}
"""Records that are documents of their own; a check's schema is with its kind."""
WITHOUT_RECORD = {
    "voicecheck.frying/1", "voicecheck.programme/1",
    "voicecheck.report/1", "voicecheck.watch/1",
}  # fmt: skip
"""Documents that are put together where they are written."""


@lru_cache
def load_validator(schema: str) -> Any:
    jsonschema = need_module("jsonschema")
    text = (FOLDER / name_file(schema)).read_text(encoding="utf-8")
    return jsonschema.Draft202012Validator(json.loads(text))


def find_documents(content: Any) -> list[dict[str, Any]]:
    """All that carries a schema, at any depth."""
    if isinstance(content, list):
        return [one for part in content for one in find_documents(part)]
    if not isinstance(content, dict):
        return []
    found = [one for part in content.values() for one in find_documents(part)]
    return [content, *found] if isinstance(content.get("schema"), str) else found


def check_document(content: Any) -> None:
    """Fail where a document, or one inside it, is not what its schema says."""
    for document in find_documents(content):
        if (schema := document["schema"]) not in WITHOUT_RECORD:
            errors = load_validator(schema).iter_errors(document)
            told = [f"{error.json_path}: {error.message[:200]}" for error in errors]
            assert not told, f"{schema}: {told[:5]}"


def write_schemas() -> None:
    """Make the shipped files anew: `python tests/documents.py`."""
    FOLDER.mkdir(exist_ok=True)
    for record, schema in DOCUMENTS.items():
        text = format_json(make_schema(record, schema)) + "\n"
        (FOLDER / name_file(schema)).write_text(text, encoding="utf-8")


def make_digests() -> str:
    """Digest of each table of a standard, as a table itself."""
    names = [
        path.relative_to(DATA).as_posix() for kind in DIGESTED for path in sorted(DATA.glob(kind))
    ]
    rows = [f"{name},{compute_digest(read_data, name)}" for name in names]
    head = ["# SHA-256 of the tables of standards; line ends as \\n.", "file,sha256"]
    return "\n".join([*head, *rows]) + "\n"


def write_digests() -> None:
    """Make them anew, with the schemas."""
    (DATA / DIGESTS).write_text(make_digests(), encoding="utf-8")


if __name__ == "__main__":
    write_schemas()
    write_digests()
