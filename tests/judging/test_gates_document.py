"""The JSON document about gates fits its schema, and the committed schema is what the program has."""

from __future__ import annotations

import json
from pathlib import Path

from jsonschema import Draft202012Validator

from cloudprep.judging import Judgement
from cloudprep.judging.document import gates_json, gates_schema

DOCS = Path(__file__).resolve().parents[2] / "docs"


def test_the_committed_schema_is_current() -> None:
    schema = json.loads((DOCS / "gates.schema.json").read_text(encoding="utf-8"))
    Draft202012Validator.check_schema(schema)
    assert schema == gates_schema(), "run: python -m cloudprep.judging.document > docs/gates.schema.json"


def test_the_document_fits_the_committed_schema_and_says_how_each_gate_went(judged: Judgement) -> None:
    schema = json.loads((DOCS / "gates.schema.json").read_text(encoding="utf-8"))
    text = gates_json(judged)
    document = json.loads(text)
    Draft202012Validator(schema).validate(document)
    assert document["counts"] == {"passed": 4, "warned": 2, "failed": 3, "not_judged": 3}
    assert not document["passed"]
    assert [g["flight"] for g in document["gates"]] == [g.flight for g in judged.gates]
    assert document["failed_inputs"] == [{"flight": "flights/broken.laz", "reason": "cut short"}]
    assert text.isascii()


def test_warnings_alone_pass(judged: Judgement) -> None:
    warned = Judgement(gates=[g for g in judged.gates if g.outcome in {"passed", "warned"}])
    assert json.loads(gates_json(warned))["passed"]
