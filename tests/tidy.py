"""The rules that the sources keep, each a function from one parsed source to its violations.

test_tidy.py runs them over the project and proves on planted violations that each one bites.
"""

from __future__ import annotations

import ast
import functools
import gc
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

TOP = Path(__file__).resolve().parents[1]
MOST_FUNCTION_LINES = 60  # what fits a screen
MOST_MODULE_LINES = 400  # what one reads in one go

# on the board, and pure
CORE_IMPORTS = {"boxcore", "struct", "binascii", "collections", "json", "array", "hashlib"}
CORE_EXTRAS = {
    "checked": {"vfs"},  # it is what the package is imported through
    "start": {"gc", "os"},  # a power-up, once: main.py's second half, compiled
    # the few modules of the core that stand at an edge, and what that edge is
    "files": {"os"},  # the file system
}
SHELL = "hal_rp2"  # the one module that touches the chip; it may import what the board has
CHIP_IMPORTS = {"machine", "rp2"}
HEAVY = {
    "numpy",
    "scipy",
    "matplotlib",
    "pyarrow",
    "serial",
    "starlette",
    "uvicorn",
    "websockets",
}  # loaded only by whoever uses them
CLI_TOP_IMPORTS = {
    "errors",
    "units",
    "outputs",
    "extras",
    "cli",
}  # what the command line may import before it knows the command

# Each package or module of the host and how high it stands: it imports only what stands lower.
FLOORS = {
    "errors": 0,
    "units": 1,
    "data": 1,
    "extras": 1,
    "outputs": 1,
    "programs": 1,
    "journals": 1,
    "exchange": 1,
    "places": 2,
    "report": 3,
    "fields": 3,
    "board": 4,
    "profile": 5,
    "link": 5,
    "bank": 5,
    "vehicle": 6,
    "instruments": 6,
    "bench": 7,
    "capture": 7,
    "lesson": 8,
    "baseline": 8,
    "live": 9,
    "demo": 9,
    "cli": 10,
}

# The same for the folders inside a package; its single modules import no folder, so any folder may use them.
FOLDERS = {
    "bank": {
        "parts": 0,
        "mechanics": 1,
        "heat": 2,
        "wiring": 3,
        "circuit": 4,
        "rules": 5,
        "sizing": 5,
        "kicad": 6,
        "drawings": 7,
    }
}


@dataclass(frozen=True)
class Source:
    """One file: its path below the top of the project (with forward slashes), its text, its syntax tree."""

    path: str
    text: str
    tree: ast.Module

    @classmethod
    def of(cls, path: str, text: str) -> Source:
        """Parse a text as if it stood at that path."""
        return cls(path, text, ast.parse(text))

    @functools.cached_property
    def imports(self) -> tuple[Import, ...]:
        """Every import; what only a type checker reads is left out."""
        return tuple(_imports(self.tree, at_top=True))

    @property
    def core_module(self) -> str | None:
        """The name of the firmware package's module, None for any other source."""
        parts = self.path.split("/")
        return parts[-1].removesuffix(".py") if parts[:2] == ["firmware", "boxcore"] else None

    @property
    def host_package(self) -> str | None:
        """The package or module of the host that this belongs to, None for any other source."""
        parts = self.path.split("/")
        return parts[2].removesuffix(".py") if parts[:2] == ["host", "nightdraw"] else None


@dataclass(frozen=True)
class Violation:
    """One rule broken at one line."""

    path: str
    line: int
    message: str

    def __str__(self) -> str:
        return f"{self.path}:{self.line}: {self.message}"


PRIVATE = re.compile(r"_(?!.*__$).*")
PRIVATE_CONSTANT = re.compile(r"_[A-Z0-9_]+(?<!__)")
CONSTANT = re.compile(r"_?[A-Z][A-Z0-9_]*")

Rule = Callable[[Source], Iterator[Violation]]


def paths(*names: str) -> list[Path]:
    """Every Python file of the project, or those of these parts of its top only."""
    found = (TOP / name for name in names or ("run.py", "firmware", "host", "tests"))
    return [path for one in found for path in ([one] if one.is_file() else sorted(one.rglob("*.py")))]


def sources(*names: str) -> list[Source]:
    """The same, parsed: a million objects for all of them, so keep them no longer than needed. To look for
    garbage among them again and again took three quarters of the time."""
    gc.disable()
    try:
        return [
            Source.of(path.relative_to(TOP).as_posix(), path.read_text("utf-8")) for path in paths(*names)
        ]
    finally:
        gc.enable()


@dataclass(frozen=True)
class Import:
    """One imported module, the name taken from it (None for a whole module), what it is called here, and
    whether it loads at once."""

    module: str
    name: str | None
    bound: str
    line: int
    at_top: bool


def _imports(node: ast.AST, at_top: bool) -> Iterator[Import]:
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.Import):
            for alias in child.names:
                yield Import(alias.name, None, alias.asname or alias.name, child.lineno, at_top)
        elif isinstance(child, ast.ImportFrom):
            module = "." * child.level + (child.module or "")
            for alias in child.names:
                yield Import(module, alias.name, alias.asname or alias.name, child.lineno, at_top)
        elif isinstance(child, ast.If) and "TYPE_CHECKING" in ast.dump(child.test):
            yield from _imports(ast.Module(child.orelse, []), at_top)
        else:
            inside = isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda)
            yield from _imports(child, at_top and not inside)


def sizes(source: Source) -> Iterator[Violation]:
    """Functions and modules stay short."""
    lines = source.text.count("\n")
    if lines > MOST_MODULE_LINES:
        yield Violation(source.path, 1, f"{lines} lines, a module has at most {MOST_MODULE_LINES}")
    for node in ast.walk(source.tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            lines = (node.end_lineno or node.lineno) - node.lineno + 1
            if lines > MOST_FUNCTION_LINES:
                message = f"{node.name} has {lines} lines, a function has at most {MOST_FUNCTION_LINES}"
                yield Violation(source.path, node.lineno, message)


def docstrings(source: Source) -> Iterator[Violation]:
    """Every module says what it is; so does every public function and class of the host and the core."""
    if source.text.strip() and not ast.get_docstring(source.tree):
        yield Violation(source.path, 1, "no module docstring")
    if source.core_module is None and source.host_package is None:
        return
    for node in source.tree.body:
        public = isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_")
        if public and not ast.get_docstring(node):
            yield Violation(source.path, node.lineno, f"{node.name} is public and has no docstring")


def core_purity(source: Source) -> Iterator[Violation]:
    """The core imports only what the board has and what can't touch hardware or clocks."""
    module = source.core_module
    if module is None or module == SHELL:
        return
    allowed = CORE_IMPORTS | CORE_EXTRAS.get(module, set())
    for found in source.imports:
        if found.module.split(".")[0] not in allowed:
            yield Violation(source.path, found.line, f"the core may not import {found.module or '.'}")


def chip_imports(source: Source) -> Iterator[Violation]:
    """Only the shell touches the chip, but for main.py's reset; the host never imports the shell."""
    for found in source.imports:
        root = found.module.split(".")[0]
        resets = root == "machine" and source.path == "firmware/main.py"  # before the shell is there
        if root in CHIP_IMPORTS and source.core_module != SHELL and not resets:
            yield Violation(source.path, found.line, f"only {SHELL} may import {root}")
        shell = found.module == f"boxcore.{SHELL}" or (found.module == "boxcore" and found.name == SHELL)
        if shell and source.path.startswith("host/"):
            yield Violation(source.path, found.line, f"the host may not import {SHELL}")


def whole_numbers(source: Source) -> Iterator[Violation]:
    """The core has no floats: no literal, no true division, no float()."""
    if source.core_module is None:
        return
    for node in ast.walk(source.tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, float | complex):
            yield Violation(source.path, node.lineno, f"float literal {node.value!r}")
        elif isinstance(node, ast.BinOp | ast.AugAssign) and isinstance(node.op, ast.Div):
            yield Violation(source.path, node.lineno, "true division")
        elif isinstance(node, ast.Name) and node.id == "float":
            yield Violation(source.path, node.lineno, "float")


def private_constants(source: Source) -> Iterator[Violation]:
    """No underscore name crosses a module: MicroPython drops such constants from it. (A test may look into a
    module that it tests, but not at such a constant.)"""
    private = PRIVATE_CONSTANT if source.path.startswith("tests/") else PRIVATE
    modules = set()
    for found in source.imports:
        if found.module.split(".")[0] not in ("boxcore", "nightdraw"):
            continue
        if found.name is not None and private.fullmatch(found.name):
            yield Violation(source.path, found.line, f"{found.name} is private to {found.module}")
        modules.add(found.bound)
    for node in ast.walk(source.tree):
        if not isinstance(node, ast.Attribute) or not private.fullmatch(node.attr):
            continue
        if ast.unparse(node.value) in modules:
            yield Violation(source.path, node.lineno, f"{ast.unparse(node)} is private")


def one_binding(source: Source) -> Iterator[Violation]:
    """A constant of a module is bound once: what stands between two bindings reads another value than what
    is called later. (The branches of one statement may each bind it, and a table may grow by +=.)"""
    bound = {found.bound for found in source.imports if found.at_top}
    for statement in source.tree.body:
        if isinstance(statement, ast.Assign | ast.AnnAssign):
            targets = statement.targets if isinstance(statement, ast.Assign) else [statement.target]
            for node in (node for target in targets for node in ast.walk(target)):
                if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
                    if CONSTANT.fullmatch(node.id) and node.id in bound:
                        yield Violation(source.path, node.lineno, f"{node.id} is bound twice")
                    bound.add(node.id)


def floors(source: Source) -> Iterator[Violation]:
    """The host's packages import only what stands lower."""
    package = source.host_package
    if package in (None, "__init__", "__main__"):
        return
    if package not in FLOORS:
        yield Violation(source.path, 1, f"{package} has no floor: give it one in tests/tidy.py")
        return
    for found in source.imports:
        target = _host_target(found)
        if target is None or target == package:
            continue
        if FLOORS.get(target, -1) >= FLOORS[package]:
            yield Violation(
                source.path, found.line, f"{package} may not import {target}, which doesn't stand lower"
            )


def _host_target(found: Import) -> str | None:
    parts = found.module.split(".")
    if parts[0] != "nightdraw":
        return None
    return parts[1] if len(parts) > 1 else (found.name if found.name in FLOORS else None)


def folders(source: Source) -> Iterator[Violation]:
    """A folder inside a package imports only folders that stand lower; a single module imports none."""
    package = source.host_package or ""
    parts = source.path.split("/")
    levels = FOLDERS.get(package, {})
    if not levels or len(parts) < 4 or parts[-1] == "__init__.py":
        return
    own = parts[3] if len(parts) > 4 else ""
    if own and own not in levels:
        yield Violation(source.path, 1, f"the folder {own} has no level: give it one in tests/tidy.py")
        return
    for found in source.imports:
        target = _folder_target(found, package)
        if target in levels and target != own and levels[target] >= levels.get(own, 0):
            message = f"{own or 'a single module'} may not import {target}, which doesn't stand lower"
            yield Violation(source.path, found.line, message)


def _folder_target(found: Import, package: str) -> str:
    parts = found.module.split(".")
    if parts[:2] != ["nightdraw", package]:
        return ""
    return parts[2] if len(parts) > 2 else found.name or ""


def quick_start(source: Source) -> Iterator[Violation]:
    """The command line loads packages of the work, and whatever is heavy, only inside the command."""
    if source.host_package != "cli":
        return
    for found in source.imports:
        target = _host_target(found)
        slow = found.module.split(".")[0] in HEAVY or (target is not None and target not in CLI_TOP_IMPORTS)
        if found.at_top and slow:
            yield Violation(source.path, found.line, f"import {found.module} inside the command that uses it")


RULES: tuple[Rule, ...] = (
    sizes,
    docstrings,
    core_purity,
    chip_imports,
    whole_numbers,
    private_constants,
    one_binding,
    floors,
    folders,
    quick_start,
)

# Folders of the machine that a text was written on; no text of the project has a reason to name one.
MACHINE_PATH = re.compile(r"(?<![\w.<>{}/-])/(?:work|home|root|opt|srv|mnt|Users)/[\w.-]+|\b[A-Z]:\\[A-Za-z]")
PAGE = re.compile(r"(?<![\w/.*<>-])((?:[\w.-]+/)*[\w-]+\.md)\b")
LINK = re.compile(r"https?://([\w-]+(?:\.[\w-]+)+)")
KNOWN_HOSTS = {  # published standards and licences that a text may point at
    "json-schema.org",
    "keepachangelog.com",
    "semver.org",
    "www.w3.org",
}
TEXT_SUFFIXES = {".py", ".md", ".yaml", ".yml", ".toml", ".json", ".html", ".csv", ""}


def texts() -> Iterator[tuple[str, str]]:
    """Path and text of every text file that is the project's."""
    tops = [TOP / name for name in (".ci", "firmware", "hardware", "host", "profiles", "tests")]
    paths = [path for path in TOP.iterdir() if path.is_file() and path.name != ".git"]
    paths += [path for folder in tops for path in folder.rglob("*") if path.is_file()]
    for path in sorted(paths):
        if path.suffix in TEXT_SUFFIXES and "__pycache__" not in path.parts:
            yield path.relative_to(TOP).as_posix(), path.read_text("utf-8")


@functools.cache
def pages() -> frozenset[str]:
    """The path of every page of the project."""
    return frozenset(path for path, _ in texts() if path.endswith(".md"))


def foreign_words(path: str, text: str) -> Iterator[Violation]:
    """No text names a folder of somebody's machine, an unknown web host, or a page that isn't here."""
    for number, line in enumerate(text.splitlines(), start=1):
        for found in MACHINE_PATH.findall(line):
            yield Violation(path, number, f"path of a machine: {found}")
        for page in PAGE.findall(line):
            if not any(known == page or known.endswith("/" + page) for known in pages()):
                yield Violation(path, number, f"points to a page that isn't here: {page}")
        for host in LINK.findall(line):
            if host not in KNOWN_HOSTS:
                yield Violation(path, number, f"unknown web host: {host}")
