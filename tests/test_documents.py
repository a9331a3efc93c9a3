"""DEVELOPERS.md says what the code says."""

from __future__ import annotations

import pytest

from tests import documents


def test_the_developers_page_says_what_the_code_says() -> None:
    page = documents.PAGE.read_text("utf-8")
    assert {found[2] for found in documents.PART.finditer(page)} == set(documents.PARTS)
    assert documents.renewed(page) == page, "renew it: python -m tests.documents"


def test_a_changed_table_would_be_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    page = documents.PAGE.read_text("utf-8")
    monkeypatch.delitem(documents.states.AFTER[documents.states.IDLE], "arm")
    assert documents.renewed(page) != page
