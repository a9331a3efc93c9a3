"""What a builder needs, made from a board file: tables, schematic, drawings, deck, guide; the same bytes
wherever they are made.

Only documents live here; what they say is worked out elsewhere in bank.
"""

from nightdraw.bank.drawings.files import documents, write_all

__all__ = ["documents", "write_all"]
