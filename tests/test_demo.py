"""The demo does the whole job from an empty folder, says what it does, and can say no."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from nightdraw import demo
from nightdraw.bench import setup
from nightdraw.cli import main
from nightdraw.cli.demo import DEFAULT_OUT


@pytest.fixture
def empty(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_it_agrees_and_answers_with_the_contracts_keys(
    empty: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main.run(["demo", "--out", "here", "--json"]) == 0
    said = capsys.readouterr()
    document = json.loads(said.out)
    assert {"asked", "did", "seen", "agree", "differences", "plot"} <= set(document)
    assert document["agree"] is True
    assert document["differences"] == []
    counts = {document[name]["pulses"] for name in ("asked", "did", "seen")}
    assert len(counts) == 1
    assert counts.pop() > 20
    means = [document[name]["mean_ma"] for name in ("asked", "did", "seen")]
    assert max(means) - min(means) < 2
    assert (empty / document["plot"]).read_bytes().startswith(b"\x89PNG")
    assert (empty / document["recording"]).with_suffix(".journal.jsonl").exists()
    steps = said.err.splitlines()
    assert [line.split(".")[0] for line in steps] == [str(k) for k in range(1, len(steps) + 1)]
    for word in (
        "checked",
        "compiled",
        "socket://127.0.0.1:",
        "sent",
        "armed",
        "journal",
        "recorded",
        "picture",
    ):
        assert word in said.err


def test_for_people_it_ends_with_its_verdict(empty: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main.run(["demo"]) == 0
    assert capsys.readouterr().out.rstrip().endswith("the accounts agree")
    assert (empty / DEFAULT_OUT / f"{demo.PROFILE}.png").exists()


def test_it_says_no_when_the_bench_is_broken(
    empty: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its verdict is found, not printed by heart: a stuck switch in the simulated box turns it."""
    honest = setup.build
    monkeypatch.setattr(demo, "build", lambda seed: honest(faults=("stuck-on:7",), seed=seed))
    assert main.run(["demo", "--json"]) == 1
    document = json.loads(capsys.readouterr().out)
    assert document["agree"] is False
    assert document["differences"][0]["kind"] == "stuck-on"
    assert "channel 7" in document["differences"][0]["message"]


def test_a_folder_that_can_not_be_made_is_an_input_error(empty: Path) -> None:
    (empty / "taken").write_text("a file", encoding="utf-8")
    assert main.run(["demo", "--out", "taken"]) == 2
