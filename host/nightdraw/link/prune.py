"""Leaves out of the compiled firmware what only the host uses: definitions that nothing on the board can
reach.

The package serves both sides; the host packs programs and reads journals with the same modules that the box
plays and writes them with. Functions, classes and values at a module's top go where no way leads to them,
methods where no attribute anywhere has their name; and nothing goes whose name some text spells.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator

Place = tuple[str, str]  # module, name at its top
Imports = dict[
    str, tuple[str, str | None]
]  # name here -> (module of the package, name there; None: all of it)
ALL = "*"  # every name at a module's top


def prune(sources: dict[str, str], package: str, roots: list[str]) -> dict[str, str]:
    """The sources of a package's modules (by module name) without what can't be reached.

    roots: the texts of the scripts that run first. What a module does when it is imported is always reached;
    a module that nothing imports any more stays, without its unreachable parts.
    """
    trees = {name: ast.parse(text) for name, text in sources.items()}
    imports = {name: _imports(tree, package, trees) for name, tree in trees.items()}
    reached: set[Place] = set()
    waiting = [place for text in roots for place in _root(ast.parse(text), package, trees)]
    for name, tree in trees.items():
        for node in tree.body:
            if _defines(node) is None:
                waiting += _asks(node, name, imports[name])
    spelled = _spelled(trees)
    waiting += [(name, word) for name, tree in trees.items() for word in _tops(tree) if word in spelled]
    while waiting:
        place = waiting.pop()
        if place in reached or place[0] not in trees:
            continue
        reached.add(place)
        if place[1] == ALL:
            waiting += [(place[0], word) for word in _tops(trees[place[0]])]
        for node in trees[place[0]].body:
            if place[1] in (_defines(node) or ()):
                waiting += _asks(node, place[0], imports[place[0]])
    for name, tree in trees.items():
        tree.body = [node for node in tree.body if _stays(node, name, reached)]
    named = set(spelled)
    for tree in (*trees.values(), *map(ast.parse, roots)):
        named.update(_attributes(tree))
    for tree in trees.values():
        _drop_methods(tree, named)
    return {name: ast.unparse(tree) + "\n" for name, tree in trees.items()}


def _defines(node: ast.stmt) -> tuple[str, ...] | None:
    """The names that a top statement defines; None for one that does something as well."""
    if isinstance(node, ast.FunctionDef) and not node.decorator_list:
        return (node.name,)
    if isinstance(node, ast.ClassDef) and not node.decorator_list:
        return (node.name,)
    if isinstance(node, ast.Assign) and len(node.targets) == 1:
        target = node.targets[0]
        if isinstance(target, ast.Name) and not target.id.startswith("__"):
            return (target.id,)
        if isinstance(target, ast.Tuple) and all(isinstance(part, ast.Name) for part in target.elts):
            return tuple(part.id for part in target.elts if isinstance(part, ast.Name))
    return None


def _tops(tree: ast.Module) -> Iterator[str]:
    for node in tree.body:
        yield from _defines(node) or ()


def _imports(tree: ast.Module, package: str, trees: dict[str, ast.Module]) -> Imports:
    found: Imports = {}
    for node in ast.walk(tree):
        if not isinstance(node, ast.ImportFrom) or node.module is None:
            continue
        for alias in node.names:
            if node.module == package and alias.name in trees:
                found[alias.asname or alias.name] = (alias.name, None)
            elif node.module == package:
                found[alias.asname or alias.name] = ("__init__", alias.name)
            elif node.module.startswith(package + "."):
                found[alias.asname or alias.name] = (node.module[len(package) + 1 :], alias.name)
    return found


def _asks(node: ast.AST, module: str, imports: Imports) -> list[Place]:
    """What a statement may use: names of its own module, imported ones, attributes of modules. An attribute
    of anything else is no module's top name; a module that is used as a value has all its names used."""
    asked: list[Place] = []
    bases = {id(part.value) for part in ast.walk(node) if isinstance(part, ast.Attribute)}
    for part in ast.walk(node):
        if isinstance(part, ast.Attribute) and isinstance(part.value, ast.Name):
            source, name = imports.get(part.value.id, (module, ""))
            if name is None:
                asked.append((source, part.attr))
        if isinstance(part, ast.Name):
            source, name = imports.get(part.id, (module, part.id))
            if name is not None:
                asked.append((source, name))
            elif id(part) not in bases:
                asked.append((source, ALL))
    return asked


def _root(tree: ast.Module, package: str, trees: dict[str, ast.Module]) -> list[Place]:
    return _asks(tree, "", _imports(tree, package, trees))


def _spelled(trees: dict[str, ast.Module]) -> set[str]:
    return {
        node.value
        for tree in trees.values()
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }


def _stays(node: ast.stmt, module: str, reached: set[Place]) -> bool:
    names = _defines(node)
    return names is None or any((module, name) in reached for name in names)


def _attributes(tree: ast.Module) -> Iterator[str]:
    return (node.attr for node in ast.walk(tree) if isinstance(node, ast.Attribute))


def _drop_methods(tree: ast.Module, named: set[str]) -> None:
    """Remove methods that nothing names; those between double underscores are the language's own."""
    for node in tree.body:
        if isinstance(node, ast.ClassDef):
            node.body = [part for part in node.body if not _is_unnamed(part, named)] or [ast.Pass()]


def _is_unnamed(node: ast.stmt, named: set[str]) -> bool:
    return isinstance(node, ast.FunctionDef) and not node.name.startswith("__") and node.name not in named
