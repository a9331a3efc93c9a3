"""What a locked box tells of its supply: a mean so slow and so coarse that a run can't be read from it.

A load of 2 A on wires and battery of 0.1 ohm moves the supply by 0.2 V, and any reading of it within the
pulse gives the pulse away. The mean of ten minutes of the same moves by 0.2 V * 1 s / 600 s = 0.3 mV for a
pulse of a second, a 300th of the step of 0.1 V that is told, and a lesson of two hours has twelve of them.
They end at whole ten minutes of the box's clock, whatever it plays. What is left is the slow way of a battery
that is drained, which any meter shows.

After the supply came or went, as at power-up, the first mean is of ten seconds. Nothing here allocates.
"""

from boxcore.guard import PRESENT_MV
from boxcore.program import TICKS_PER_S

SAMPLE_TICKS = TICKS_PER_S // 2
FIRST_SAMPLES = 20
SAMPLES = 1200  # 600 s
STEP_MV = 100


class SlowMean:
    """The mean of a supply whose readings come whenever they come; each stands until the next.

    mv: what is told, a multiple of STEP_MV."""

    def __init__(self):
        self.mv = 0
        self._present = None
        self._last_mv = 0
        self._sample = self._end = 0  # numbers of samples since power-up: taken, and where the mean is due
        self._count = self._sum_mv = 0

    def take(self, now, supply_mv):
        """A reading at box tick `now`."""
        sample = now // SAMPLE_TICKS
        present = supply_mv >= PRESENT_MV
        if present != self._present:
            self._present = present
            self.mv = _rounded(supply_mv, 1)
            self._begin(sample, sample + FIRST_SAMPLES)
        elif sample >= self._end:
            self._add(self._end)
            self.mv = _rounded(self._sum_mv, self._count)
            block = sample - sample % SAMPLES
            if block >= self._end + SAMPLES:  # nothing was read for a whole mean and more
                self.mv = _rounded(self._last_mv, 1)
            end = block + SAMPLES
            if end - sample < SAMPLES // 2:  # behind the first mean: the second takes five minutes and more
                end += SAMPLES
            self._begin(max(self._end, block), end)
        self._add(sample)
        self._last_mv = supply_mv

    def _begin(self, sample, end):
        self._sample = sample
        self._end = end
        self._count = self._sum_mv = 0

    def _add(self, sample):
        self._count += sample - self._sample
        self._sum_mv += (sample - self._sample) * self._last_mv
        self._sample = sample


def _rounded(sum_mv, count):
    step = STEP_MV * count
    return (2 * sum_mv + step) // (2 * step) * STEP_MV
