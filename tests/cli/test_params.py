"""Options that take quantities: exact values, and misuse that names the option."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import click
import pytest
from nightdraw.cli.params import Quantity, QuantityRange


def parse(kind: click.ParamType[Any], *words: str) -> Any:
    """What a command with the option --x of that kind gets."""

    @click.command()
    @click.option("--x", type=kind, default=None)
    def command(x: Any) -> Any:
        return x

    return command.main(list(words), standalone_mode=False)


def test_a_quantity_is_exact() -> None:
    assert parse(Quantity("voltage"), "--x", "12.6V") == Fraction(63, 5)
    assert parse(Quantity("time"), "--x", "700 ms") == Fraction(7, 10)
    assert parse(Quantity("voltage")) is None


def test_a_range_is_two_exact_values() -> None:
    assert parse(QuantityRange("voltage"), "--x", "11V..15.5V") == (Fraction(11), Fraction(31, 2))


@pytest.mark.parametrize("kind", [Quantity("voltage"), QuantityRange("voltage")])
@pytest.mark.parametrize("text", ["12.6", "12.6 mA", "V", "", "twelve V"])
def test_a_wrong_text_is_misuse_of_that_option(kind: click.ParamType[Any], text: str) -> None:
    with pytest.raises(click.BadParameter) as error:
        parse(kind, "--x", text)
    assert "'--x'" in error.value.format_message()
