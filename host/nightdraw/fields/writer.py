"""What a record has written of a model (`Record.written`: texts in dicts and lists) as YAML."""

from __future__ import annotations

from typing import Any

import yaml

WIDTH = 110
ONE_LINE = 100  # characters of a mapping on one line, its key not counted


class _Texts(yaml.SafeDumper):
    """Every scalar is a text, with quotes only where YAML needs them; a short mapping stands on one line."""

    yaml_implicit_resolvers = {}  # noqa: RUF012 - PyYAML's own way

    def represent_mapping(self, tag: str, mapping: Any, flow_style: bool | None = None) -> yaml.MappingNode:
        """The mapping in one line where nothing in it needs more."""
        short = all(isinstance(value, str) for value in mapping.values())
        short = short and sum(len(key) + len(value) + 4 for key, value in mapping.items()) <= ONE_LINE
        return super().represent_mapping(tag, mapping, short)

    def ignore_aliases(self, data: Any) -> bool:
        """Nothing is written by reference."""
        return True


def as_yaml(document: dict[str, Any]) -> str:
    """The document as YAML, keys in their order."""
    text: str = yaml.dump(
        document, Dumper=_Texts, sort_keys=False, width=WIDTH, allow_unicode=True, default_flow_style=None
    )
    return text
