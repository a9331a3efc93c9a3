"""Writes the firmware's whole-number constants into the places that use them, before it is compiled.

The board's memory holds every name and every entry of a module's dictionary; a named constant costs some
forty bytes and a look-up each time. The sources keep their names, the compiled files need none. Only numbers
that are bound once, at a module's top, in capitals, and used by their plain name are folded; whatever is in
doubt stays.
"""

from __future__ import annotations

import ast
import re
from collections import Counter
from collections.abc import Iterator
from typing import TypeGuard

CAPITALS = re.compile(r"_?[A-Z][A-Z0-9_]*\Z")
ARITHMETIC = (
    *(ast.Expression, ast.Constant, ast.Load, ast.BinOp, ast.UnaryOp, ast.USub, ast.Invert, ast.Add),
    *(ast.Sub, ast.Mult, ast.FloorDiv, ast.Mod, ast.LShift, ast.RShift, ast.BitAnd, ast.BitOr, ast.BitXor),
)
MOST_BITS = 64  # a longer number is no plain constant, and shifting by one would take for ever

Constants = dict[str, dict[str, int]]  # module -> name -> value
Imports = dict[
    str, tuple[str, str | None]
]  # name here -> (module of the package, name there; None: all of it)


def fold(sources: dict[str, str], package: str) -> dict[str, str]:
    """The sources of a package's modules (by module name) with their constants folded.

    A name that any module changes, takes by text, or uses for something else as well is left alone, and its
    definition stays wherever something still asks for it.
    """
    trees = {name: ast.parse(text) for name, text in sources.items()}
    banned = _banned(trees)
    known: Constants = {name: {} for name in trees}
    while _learn(trees, package, known, banned):
        pass
    folded = {
        name: _Folder(known, name, _imports(tree, package, trees)).visit(tree) for name, tree in trees.items()
    }
    for tree in folded.values():
        _drop_imports(tree, package)
    imports = {name: _imports(tree, package, trees) for name, tree in folded.items()}
    for name, tree in folded.items():
        _drop_constants(tree, known[name], _asked_for(folded, imports, name))
    return {name: ast.unparse(ast.fix_missing_locations(tree)) + "\n" for name, tree in folded.items()}


def _banned(trees: dict[str, ast.Module]) -> set[str]:
    """Names that some text spells or some attribute assignment changes."""
    names = set()
    for tree in trees.values():
        for node in ast.walk(tree):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                names.add(node.value)
            elif isinstance(node, ast.Attribute) and not isinstance(node.ctx, ast.Load):
                names.add(node.attr)
    return names


def _bindings(tree: ast.AST) -> Iterator[str]:
    """Every name that is bound below a node, once for each time."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Name) and not isinstance(node.ctx, ast.Load):
            yield node.id
        elif isinstance(node, ast.arg):
            yield node.arg
        elif isinstance(node, ast.FunctionDef | ast.ClassDef):
            yield node.name
        elif isinstance(node, ast.Import | ast.ImportFrom):
            for alias in node.names:
                yield (alias.asname or alias.name).split(".")[0]
        elif isinstance(node, ast.ExceptHandler) and node.name:
            yield node.name
        elif isinstance(node, ast.Global | ast.Nonlocal):
            yield from node.names * 2  # bound from elsewhere: never a constant


def _assignments(tree: ast.Module) -> Iterator[tuple[str, ast.expr]]:
    """The module's own assignments, tuples taken apart."""
    for node in tree.body:
        if isinstance(node, ast.Assign) and len(node.targets) == 1:
            yield from _pairs(node.targets[0], node.value)


def _pairs(target: ast.expr, value: ast.expr) -> list[tuple[str, ast.expr]]:
    if isinstance(target, ast.Name):
        return [(target.id, value)]
    if isinstance(target, ast.Tuple) and isinstance(value, ast.Tuple) and len(target.elts) == len(value.elts):
        return [
            (name.id, part)
            for name, part in zip(target.elts, value.elts, strict=True)
            if isinstance(name, ast.Name)
        ]
    return []


def _imports(tree: ast.Module, package: str, trees: dict[str, ast.Module]) -> Imports:
    """What a name at the module's top stands for: (module of the package, its name there or None for all of
    it)."""
    found: Imports = {}
    for node in tree.body:
        if not isinstance(node, ast.ImportFrom) or node.module is None:
            continue
        for alias in node.names:
            bound = alias.asname or alias.name
            if node.module == package and alias.name in trees:
                found[bound] = (alias.name, None)
            elif node.module.startswith(package + "."):
                found[bound] = (node.module[len(package) + 1 :], alias.name)
    return found


def _learn(trees: dict[str, ast.Module], package: str, known: Constants, banned: set[str]) -> bool:
    """Add the constants whose values can be told by now; True where there were any."""
    added = False
    for module, tree in trees.items():
        folder = _Folder(known, module, _imports(tree, package, trees))
        times = Counter(_bindings(tree))
        for name, expression in _assignments(tree):
            if name in known[module] or not CAPITALS.match(name) or times[name] != 1 or name in banned:
                continue
            value = _number(folder.visit(ast.parse(ast.unparse(expression), mode="eval")))
            if value is not None:
                known[module][name] = value
                added = True
    return added


def _number(tree: ast.Expression) -> int | None:
    """The value of whole-number arithmetic; None for anything else."""
    for node in ast.walk(tree):
        if not isinstance(node, ARITHMETIC):
            return None
        if isinstance(node, ast.Constant) and not _is_number(node.value):
            return None
    value = eval(compile(ast.fix_missing_locations(tree), "constant", "eval"), {"__builtins__": {}})
    return value if _is_number(value) else None


def _is_number(value: object) -> TypeGuard[int]:
    return type(value) is int and value.bit_length() <= MOST_BITS


class _Folder(ast.NodeTransformer):
    """Replaces the names of known constants, but for those that a function uses for something of its own."""

    def __init__(self, known: Constants, module: str, imports: Imports) -> None:
        self._own = known[module]
        self._known = known
        self._imports = imports
        self._hidden: list[set[str]] = []

    def visit_FunctionDef(self, node: ast.FunctionDef) -> ast.AST:
        """A function's own names hide the module's."""
        return self._inside(node)

    def visit_Lambda(self, node: ast.Lambda) -> ast.AST:
        """As a function."""
        return self._inside(node)

    def _inside(self, node: ast.AST) -> ast.AST:
        self._hidden.append(set(_bindings(node)))
        self.generic_visit(node)
        self._hidden.pop()
        return node

    def _is_hidden(self, name: str) -> bool:
        return any(name in names for names in self._hidden)

    def visit_Name(self, node: ast.Name) -> ast.AST:
        """The module's own constants, and those taken from another by name."""
        if not isinstance(node.ctx, ast.Load) or self._is_hidden(node.id):
            return node
        value = self._own.get(node.id)
        module, name = self._imports.get(node.id, (None, None))
        if value is None and module is not None and name is not None:
            value = self._known.get(module, {}).get(name)
        return node if value is None else ast.Constant(value)

    def visit_Attribute(self, node: ast.Attribute) -> ast.AST:
        """`module.NAME`."""
        base = node.value
        if isinstance(node.ctx, ast.Load) and isinstance(base, ast.Name) and not self._is_hidden(base.id):
            module, name = self._imports.get(base.id, (None, None))
            if module is not None and name is None and node.attr in self._known[module]:
                return ast.Constant(self._known[module][node.attr])
        return self.generic_visit(node)


def _names(tree: ast.Module) -> set[str]:
    """The plain names that a module reads."""
    return {
        node.id for node in ast.walk(tree) if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load)
    }


def _asked_for(trees: dict[str, ast.Module], imports: dict[str, Imports], module: str) -> set[str]:
    """The names of a module that something still asks for, after folding: by itself, as an attribute of the
    module or of what can't be told, or imported from it."""
    asked = _names(trees[module])
    for name, tree in trees.items():
        asked.update(part for source, part in imports[name].values() if source == module and part)
        for node in ast.walk(tree):
            if isinstance(node, ast.Attribute):
                base = node.value.id if isinstance(node.value, ast.Name) else ""
                if imports[name].get(base, (module, None))[0] == module:
                    asked.add(node.attr)
    return asked


def _drop_imports(tree: ast.Module, package: str) -> None:
    """Remove what a module imports from the package and doesn't use any more."""
    used, body = _names(tree), []
    for node in tree.body:
        if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == package:
            node.names = [alias for alias in node.names if (alias.asname or alias.name) in used]
            if not node.names:
                continue
        body.append(node)
    tree.body = body


def _drop_constants(tree: ast.Module, folded: dict[str, int], asked: set[str]) -> None:
    """Remove the definitions of a module's folded constants that nothing asks for."""
    body = []
    for node in tree.body:
        if isinstance(node, ast.Assign) and len(node.targets) == 1:
            names = [name for name, _ in _pairs(node.targets[0], node.value)]
            if names and all(name in folded and name not in asked for name in names):
                continue
        body.append(node)
    tree.body = body
