"""The shipped JSON Schemas are those of the documents' classes."""

import pytest

from analysis.findings import SCHEMA_FILE
from tests.reference.make_schema import schemas


@pytest.mark.parametrize("name", sorted(schemas()))
def test_the_shipped_schema_is_what_its_script_makes(name: str):
    assert (SCHEMA_FILE.parent / name).read_text(encoding="utf-8") == schemas()[name]
