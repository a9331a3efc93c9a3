"""What only the host uses is left out of the compiled firmware, and nothing that the board can reach."""

from __future__ import annotations

import ast

from nightdraw.link.prune import prune

from tests.micropython.runner import FIRMWARE

SOURCES = {path.stem: path.read_text("utf-8") for path in (FIRMWARE / "boxcore").glob("*.py")}
ROOTS = [(FIRMWARE / name).read_text("utf-8") for name in ("main.py", "update.py")]


def tops(text: str) -> list[str]:
    """The functions and classes at a module's top."""
    return [node.name for node in ast.parse(text).body if isinstance(node, ast.FunctionDef | ast.ClassDef)]


def left(root: str, **modules: str) -> dict[str, list[str]]:
    """The definitions that stay, by module of a package `p`."""
    return {name: tops(text) for name, text in prune(modules, "p", [root]).items()}


def test_what_is_reached_by_any_way_of_importing_stays() -> None:
    module = "def a(): return b()\ndef b(): pass\ndef c(): pass\ndef d(): pass\n"
    assert left("from p import m\nm.a()\n", m=module) == {"m": ["a", "b"]}
    assert left("from p.m import c as other\nother()\n", m=module) == {"m": ["c"]}
    assert left("pass\n", m=module) == {"m": []}


def test_what_a_reached_module_reaches_in_another_stays() -> None:
    kept = left(
        "from p import m\nm.a()\n",
        m="from p import n\ndef a(): return n.x\n",
        n="x = 3\ny = z()\ndef z(): pass\ndef w(): pass\n",
    )
    assert kept == {"m": ["a"], "n": []}


def test_what_an_import_does_is_done() -> None:
    assert left("pass\n", m="def a(): pass\ndef b(): pass\nb()\n") == {"m": ["b"]}


def test_a_name_that_a_text_spells_stays() -> None:
    assert left("pass\n", m="def a(): pass\nprint('a')\n") == {"m": ["a"]}


def test_a_module_that_is_handed_on_keeps_everything_and_what_that_uses() -> None:
    kept = left(
        "from p import m\nuse(m)\n", m="from p.n import f\ndef a(): f()\ndef b(): pass\n", n="def f(): pass\n"
    )
    assert kept == {"m": ["a", "b"], "n": ["f"]}


def test_a_method_that_nothing_names_goes_and_any_mention_keeps_it() -> None:
    module = (
        "class Thing:\n    def __init__(self): self.a()\n    def a(self): pass\n    def b(self): pass\n"
        "    def c(self): pass\n    def d(self): pass\nprint('c', Thing)\n"
    )
    text = prune({"m": module}, "p", ["from p import m\nm.Thing().b()\n"])["m"]
    assert [word for word in ("a", "b", "c", "d") if f"def {word}(" in text] == ["a", "b", "c"]


def test_a_decorated_definition_stays() -> None:
    assert left("pass\n", m="def register(f): return f\n@register\ndef a(): pass\n") == {
        "m": ["register", "a"]
    }


def test_the_hosts_half_of_the_core_is_left_out_and_the_boards_is_whole() -> None:
    kept = {name: set(tops(text)) for name, text in prune(SOURCES, "boxcore", ROOTS).items()}
    assert not {"pack", "pack_levels"} & kept["program"]
    assert {"unpack", "validate"} <= kept["program"]
    assert "decode" not in kept["journal"]
    assert "diagram" not in kept["states"]
    assert {"Box"} <= kept["box"]
    assert {"Rp2Hal", "serial"} <= kept["hal_rp2"]
