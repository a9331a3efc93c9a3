"""The sources keep the project's own rules, and each rule is proved to bite on a planted violation."""

from __future__ import annotations

import pytest

from tests import tidy


@pytest.fixture(scope="module")
def sources() -> list[tidy.Source]:
    return tidy.sources()


@pytest.mark.parametrize("rule", tidy.RULES, ids=lambda rule: rule.__name__)
def test_the_sources_keep_the_rule(rule: tidy.Rule, sources: list[tidy.Source]) -> None:
    assert [str(violation) for source in sources for violation in rule(source)] == []


def test_the_texts_name_nothing_foreign() -> None:
    assert [str(v) for path, text in tidy.texts() for v in tidy.foreign_words(path, text)] == []


def test_all_of_the_project_is_looked_at(sources: list[tidy.Source]) -> None:
    paths = {source.path for source in sources}
    assert {
        "run.py",
        "firmware/boxcore/program.py",
        "host/nightdraw/cli/main.py",
        "tests/test_tidy.py",
    } <= paths
    assert {"README.md", ".ci/run", "hardware/bench-12v.yaml"} <= {path for path, _ in tidy.texts()}


CORE, HOST, CLI, TEST = (
    "firmware/boxcore/x.py",
    "host/nightdraw/board.py",
    "host/nightdraw/cli/x.py",
    "tests/x/test_x.py",
)
BANK = "host/nightdraw/bank"
# rule, where the source stands, the source, the line that the violation is at
PLANTED = [
    (tidy.sizes, TEST, '"""D."""\ndef f():\n' + "    x = 1\n" * 60, 2),
    (tidy.sizes, TEST, '"""D."""\n' + "x = 1\n" * 400, 1),
    (tidy.docstrings, TEST, "x = 1\n", 1),
    (tidy.docstrings, CORE, '"""D."""\ndef f():\n    return 1\n', 2),
    (tidy.core_purity, CORE, "import time\n", 1),
    (tidy.core_purity, CORE, "import os\n", 1),
    (tidy.core_purity, CORE, "def f():\n    from nightdraw import units\n", 2),
    (tidy.core_purity, CORE, "from . import program\n", 1),
    (tidy.chip_imports, CORE, "import machine\n", 1),
    (tidy.chip_imports, "firmware/main.py", "def f():\n    from rp2 import PIO\n", 2),
    (tidy.chip_imports, HOST, "from boxcore import hal_rp2\n", 1),
    (tidy.whole_numbers, CORE, "x = 1\ny = 0.5\n", 2),
    (tidy.whole_numbers, CORE, "x = 4 / 2\n", 1),
    (tidy.whole_numbers, CORE, "x = 4\nx /= 2\n", 2),
    (tidy.whole_numbers, CORE, "x = float(4)\n", 1),
    (tidy.private_constants, CORE, "from boxcore.program import _HEAD\n", 1),
    (tidy.private_constants, HOST, "from boxcore import program as pg\n\nx = program._HEAD\n", None),
    (tidy.private_constants, HOST, "from boxcore import program\n\nx = program._HEAD\n", 3),
    (tidy.private_constants, HOST, "from boxcore import program as pg\n\nx = pg._HEAD\n", 3),
    (tidy.private_constants, TEST, "from boxcore import program as pg\n\nx = pg._HEAD\n", 3),
    (tidy.private_constants, TEST, "from boxcore import program as pg\n\nx = pg._pack_draw\n", None),
    (tidy.private_constants, TEST, "from boxcore import program as pg\n\nx = pg.__file__\n", None),
    (tidy.one_binding, CORE, "A_MA = 1\nB = 2\nA_MA = 3\n", 3),
    (tidy.one_binding, HOST, "A: int = 1\nB, (_C, A) = 2, (3, 4)\n", 2),
    (tidy.one_binding, TEST, "from nightdraw.units import A\n\nA = 1\n", 3),
    (tidy.one_binding, TEST, "A = {}\nA[1] = 2\nB = ()\nB += (1,)\nvalue = 1\nvalue = 2\n", None),
    (tidy.one_binding, TEST, "if f():\n    A = 1\nelse:\n    A = 2\n\ndef g():\n    A = 3\n", None),
    (tidy.floors, HOST, "def f():\n    from nightdraw.bench import world\n", 2),
    (tidy.floors, HOST, "from nightdraw import cli\n", 1),
    (tidy.floors, "host/nightdraw/bench/x.py", "from nightdraw.capture import pulses\n", 1),
    (tidy.floors, "host/nightdraw/unheard/x.py", "x = 1\n", 1),
    (tidy.folders, f"{BANK}/heat/x.py", "from nightdraw.bank.circuit.netlist import Part\n", 1),
    (tidy.folders, f"{BANK}/heat/x.py", "from nightdraw.bank import rules\n", 1),
    (tidy.folders, f"{BANK}/heat/x.py", "from nightdraw.bank.parts import enclosures\n", None),
    (tidy.folders, f"{BANK}/remarks.py", "from nightdraw.bank.parts import enclosures\n", 1),
    (tidy.folders, f"{BANK}/unheard/x.py", "x = 1\n", 1),
    (tidy.quick_start, CLI, "import numpy as np\n", 1),
    (tidy.quick_start, CLI, "from nightdraw.profile import load\n", 1),
    (tidy.quick_start, CLI, "def f():\n    import numpy\n", None),
    (tidy.quick_start, CLI, "if TYPE_CHECKING:\n    import numpy\n", None),
]


@pytest.mark.parametrize(("rule", "path", "text", "line"), PLANTED)
def test_a_planted_violation_is_found(rule: tidy.Rule, path: str, text: str, line: int | None) -> None:
    found = [violation.line for violation in rule(tidy.Source.of(path, text))]
    assert found == ([] if line is None else [line])


# Put together here, so that this file itself names none of them.
FOREIGN = ["/home/" + "somebody/notes", "C:" + "\\Users", "no-such-page" + ".md", "http" + "://a.b/c"]


@pytest.mark.parametrize("words", FOREIGN)
def test_a_planted_word_is_found(words: str) -> None:
    assert [v.line for v in tidy.foreign_words("README.md", f"\nsee {words}")] == [2]


def test_a_page_of_the_project_may_be_named() -> None:
    assert list(tidy.foreign_words("README.md", "see README.md, firmware/boxcore and ./run.py")) == []
