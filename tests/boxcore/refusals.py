"""A refused request: its code, and a message that a person can read."""

import pytest
from boxcore.states import BoxError

MOST = 120  # characters: SCPI-1999 21.8.1 gives an error's text and its description 255 together


def refused(code, call, *arguments):
    """The message of the BoxError that a call raises; it has this code, and its places are filled."""
    with pytest.raises(BoxError) as refusal:
        call(*arguments)
    assert refusal.value.code == code
    message = refusal.value.message
    assert len(message) <= MOST, message[:MOST]
    assert "%d" not in message
    assert "%s" not in message
    return message
