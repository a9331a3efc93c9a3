"""The pages and the JSON Schemas say what the code says."""

from __future__ import annotations

import pytest

from tests import documents, formats

RENEW = "renew it: python -m tests.documents"


def test_the_pages_say_what_the_code_says() -> None:
    pages = [page.read_text("utf-8") for page in documents.PAGES]
    assert {found[2] for page in pages for found in documents.PART.finditer(page)} == set(documents.PARTS)
    for page in pages:
        assert documents.renewed(page) == page, RENEW


@pytest.mark.parametrize("name", formats.FORMATS)
def test_a_published_schema_is_what_the_table_says(name: str) -> None:
    assert formats.FORMATS[name].path.read_text("utf-8") == formats.schema_text(name), RENEW


def test_a_changed_table_would_be_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    page = documents.PAGE.read_text("utf-8")
    monkeypatch.delitem(documents.states.AFTER[documents.states.IDLE], "arm")
    assert documents.renewed(page) != page
