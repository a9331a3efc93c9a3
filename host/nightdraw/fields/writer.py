"""What a record has written of a model (`Record.written`: texts in dicts and lists) as YAML."""

from __future__ import annotations

from typing import Any

import yaml

WIDTH = 110


class _Texts(yaml.SafeDumper):
    """Every scalar is a text, with quotes only where YAML needs them."""

    yaml_implicit_resolvers = {}  # noqa: RUF012 - PyYAML's own way


def as_yaml(document: dict[str, Any]) -> str:
    """The document as YAML, keys in their order; what holds no mapping or list itself is on one line."""
    text: str = yaml.dump(
        document, Dumper=_Texts, sort_keys=False, width=WIDTH, allow_unicode=True, default_flow_style=None
    )
    return text
