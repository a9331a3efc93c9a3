"""A vehicle's own life from recordings of it asleep: what stays, how it fell asleep, what comes again.

`fit` is the door. Reading and measuring are capture's; what a vehicle file may say is the vehicle's.
"""

from nightdraw.baseline.fit import Fitted, fit
from nightdraw.baseline.write import as_text

__all__ = ["Fitted", "as_text", "fit"]
