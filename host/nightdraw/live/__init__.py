"""A live vehicle on a page in the browser, its boxes' firmware behind it. Times in ticks of 0.1 ms.

    page <-> server -> seats -> vehicle (rig, tools, recorder) -> snapshot, envelope -> page

The page shows and asks; what a move does is decided here, by the bench's own circuit and instruments.
"""

from pathlib import Path

WORDS = Path(__file__).with_name("words.toml")
