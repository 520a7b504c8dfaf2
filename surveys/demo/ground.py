"""The pads: a falling plane with slight waves, or a level concrete floor.

Frame: site frame, metres, e east, n north, z up.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Pad:
    """Ground below one heap.

    level_m              elevation at (centre_e_m, centre_n_m)
    fall_e, fall_n       rise per metre towards east and north
    wave_m               amplitude of each of two crossing waves
    wave_length_m        their length; long beside a crew's pad spacing, so that a pad survey can see them
    raised_m             lift of the whole pad by a regrade
    """

    centre_e_m: float
    centre_n_m: float
    level_m: float
    fall_e: float = 0.0
    fall_n: float = 0.0
    wave_m: float = 0.0
    wave_length_m: float = 45.0
    raised_m: float = 0.0

    def height_m(self, e_m: FloatArray, n_m: FloatArray) -> FloatArray:
        """(…) elevations of the bare ground at plan positions of any one shape."""
        de = np.asarray(e_m, np.float64) - self.centre_e_m
        dn = np.asarray(n_m, np.float64) - self.centre_n_m
        plane = self.level_m + self.raised_m + self.fall_e * de + self.fall_n * dn
        if self.wave_m == 0.0:
            return plane
        turn = 2.0 * np.pi / self.wave_length_m
        first = np.sin(turn * (0.8 * de + 0.6 * dn) + 0.7)
        second = np.sin(turn * 0.8 * (0.5 * de - 0.9 * dn) + 2.1)
        return plane + self.wave_m * (first + second)
