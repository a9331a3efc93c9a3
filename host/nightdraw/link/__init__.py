"""The link to a box: open_box() for all that a program asks of one, over a socket or a serial port."""

from nightdraw.link.client import BoxClient, open_box
from nightdraw.link.replies import BoxStatus
from nightdraw.link.session import RefusedError
from nightdraw.link.transport import LoopTransport, Transport, open_transport

__all__ = [
    "BoxClient",
    "BoxStatus",
    "LoopTransport",
    "RefusedError",
    "Transport",
    "open_box",
    "open_transport",
]
