"""Gives the compiled firmware's private names and parameters names of a letter or two.

MicroPython keeps every name of every module in its heap, some twenty bytes apiece and thirty on a 64-bit
port; and a name that several places share is kept once. The sources keep their names. Only what nobody
outside can ask for goes: names with one leading underscore, and parameters that no call gives by name. What
some text spells, or what is in doubt, stays. A trace of the board's shows the short names: see
legend().
"""

from __future__ import annotations

import ast
import builtins
import itertools
import keyword
import re
import string
from collections.abc import Iterable, Iterator

PRIVATE = re.compile(r"_[A-Za-z][A-Za-z0-9_]*\Z")
FUNCTIONS = (ast.FunctionDef, ast.Lambda)
RESERVED = {*keyword.kwlist, *dir(builtins), "self"}

Renames = dict[str, str]  # name in the source -> name on the board


def shorten(sources: dict[str, str], scripts: list[str]) -> dict[str, str]:
    """The sources of a package's modules (by module name) with short names.

    scripts: the texts of what runs outside the package and uses it.
    """
    trees = {name: ast.parse(text) for name, text in sources.items()}
    attributes, globals_of = _plan(trees)
    by_name = {
        node.arg
        for tree in (*trees.values(), *map(ast.parse, scripts))
        for node in ast.walk(tree)
        if isinstance(node, ast.keyword) and node.arg
    }
    for name, tree in trees.items():
        _Renamer(attributes, globals_of[name]).visit(tree)
        kept = by_name | set(_bindings(tree.body))
        for function in _outermost(tree):
            _shorten_parameters(function, kept)
    return {name: ast.unparse(tree) + "\n" for name, tree in trees.items()}


def legend(sources: dict[str, str]) -> dict[str, Renames]:
    """For reading a trace of the board's: of each module its short names of functions, with the source's."""
    attributes, globals_of = _plan({name: ast.parse(text) for name, text in sources.items()})
    return {
        module: {short: long for long, short in (attributes | own).items()}
        for module, own in globals_of.items()
    }


def _plan(trees: dict[str, ast.Module]) -> tuple[Renames, dict[str, Renames]]:
    """What attributes and methods everywhere, and what each module's own names, are called on the board.

    The former get small letters and the latter capitals, so that a method never hides a module's name."""
    kept = {name for tree in trees.values() for name in _in_doubt(tree)}
    attributes = sorted({name for tree in trees.values() for name in _attributes(tree)})
    private = [name for name in attributes if PRIVATE.match(name) and name not in kept]
    plan = dict(zip(private, _fresh(string.ascii_lowercase, {*attributes, *RESERVED}), strict=False))
    return plan, {module: _own_names(tree, kept) for module, tree in trees.items()}


def _own_names(tree: ast.Module, kept: set[str]) -> Renames:
    used = {node.id for node in ast.walk(tree) if isinstance(node, ast.Name)}
    private = [
        name for name in dict.fromkeys(_bindings(tree.body)) if PRIVATE.match(name) and name not in kept
    ]
    fresh = _fresh(string.ascii_uppercase, {*used, *_bindings(tree.body), *RESERVED})
    return dict(zip(private, fresh, strict=False))


def _fresh(letters: str, taken: set[str]) -> Iterator[str]:
    """Names of one letter, of two and so on, that nothing else has."""
    for size in itertools.count(1):
        for parts in itertools.product(letters, repeat=size):
            name = "".join(parts)
            if name not in taken:
                yield name


def _attributes(tree: ast.AST) -> Iterator[str]:
    """Names behind a dot, and those that a class body binds."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute):
            yield node.attr
        elif isinstance(node, ast.ClassDef):
            yield from _bindings(node.body)


def _bindings(body: Iterable[ast.stmt]) -> Iterator[str]:
    """Names that statements bind where they stand, those of compound statements included."""
    for node in body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            yield node.name
        elif isinstance(node, ast.Import | ast.ImportFrom):
            yield from ((alias.asname or alias.name).split(".")[0] for alias in node.names)
        else:
            yield from (part.id for part in ast.walk(node) if isinstance(part, ast.Name) and _is_bound(part))


def _is_bound(node: ast.Name) -> bool:
    return not isinstance(node.ctx, ast.Load)


def _in_doubt(tree: ast.Module) -> Iterator[str]:
    """Names that some text spells, that a class body reads or binds by a statement, that an import or an
    exception binds, that a call gives, or that are asked of a module."""
    modules: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.value
        elif isinstance(node, ast.Import | ast.ImportFrom):
            modules.update(alias.asname or alias.name for alias in node.names)
        elif isinstance(node, ast.ExceptHandler) and node.name:
            yield node.name
        elif isinstance(node, ast.keyword | ast.arg) and node.arg:
            yield node.arg
        elif isinstance(node, ast.Global | ast.Nonlocal):
            yield from node.names
        elif isinstance(node, ast.ClassDef):
            yield from (part.id for part in _outside_functions(node) if isinstance(part, ast.Name))
    yield from modules
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id in modules:
            yield node.attr


def _outside_functions(node: ast.AST) -> Iterator[ast.AST]:
    """Everything below a class that its body itself evaluates: not what its functions do when called."""
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.FunctionDef):
            for part in (*child.decorator_list, *child.args.defaults, *child.args.kw_defaults):
                yield from ast.walk(part) if part is not None else ()
        else:
            yield child
            yield from _outside_functions(child)


class _Renamer(ast.NodeTransformer):
    """Renames attributes and methods by one table, a module's own names by another."""

    def __init__(self, attributes: Renames, own: Renames) -> None:
        self._attributes = attributes
        self._own = own

    def visit_ClassDef(self, node: ast.ClassDef) -> ast.AST:
        """What a class body defines is asked for as an attribute."""
        node.name = self._own.get(node.name, node.name)
        for part in node.body:
            if isinstance(part, ast.FunctionDef):
                part.name = self._attributes.get(part.name, part.name)
                ast.NodeTransformer.generic_visit(self, part)
            else:
                self.visit(part)
        node.bases = [self.visit(base) for base in node.bases]
        return node

    def visit_FunctionDef(self, node: ast.FunctionDef) -> ast.AST:
        """A function that is no method."""
        node.name = self._own.get(node.name, node.name)
        return self.generic_visit(node)

    def visit_Name(self, node: ast.Name) -> ast.AST:
        """A module's own name, wherever it is read."""
        node.id = self._own.get(node.id, node.id)
        return node

    def visit_Attribute(self, node: ast.Attribute) -> ast.AST:
        """A name behind a dot."""
        node.attr = self._attributes.get(node.attr, node.attr)
        return self.generic_visit(node)


def _outermost(tree: ast.AST) -> Iterator[ast.AST]:
    """The functions that are in no other."""
    for child in ast.iter_child_nodes(tree):
        if isinstance(child, FUNCTIONS):
            yield child
        else:
            yield from _outermost(child)


def _statement_names(node: ast.stmt) -> list[str]:
    """Names that a statement spells outside of expressions: they can't be renamed by their expressions."""
    if isinstance(node, ast.FunctionDef | ast.ClassDef | ast.Import | ast.ImportFrom):
        return list(_bindings([node]))
    if isinstance(node, ast.Global | ast.Nonlocal):
        return list(node.names)
    return [part.name for part in getattr(node, "handlers", ()) if part.name]


def _shorten_parameters(function: ast.AST, kept: set[str]) -> None:
    """Rename the parameters of a function and of those in it, each name to one other throughout."""
    nodes = list(ast.walk(function))
    names = {node.id for node in nodes if isinstance(node, ast.Name)}
    inner = {name for node in nodes if isinstance(node, ast.stmt) for name in _statement_names(node)}
    arguments = dict.fromkeys(node.arg for node in nodes if isinstance(node, ast.arg))
    free = _fresh(string.ascii_lowercase, names | inner | set(arguments) | RESERVED | kept)
    renames = {name: next(free) for name in arguments if name not in kept | inner | RESERVED}
    for node in nodes:
        if isinstance(node, ast.arg):
            node.arg = renames.get(node.arg, node.arg)
        elif isinstance(node, ast.Name):
            node.id = renames.get(node.id, node.id)
