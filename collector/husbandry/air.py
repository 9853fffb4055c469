"""What air takes up from wet bedding: the vapour pressure deficit that drives drying.

Saturation over water: Magnus form of WMO-No. 8, annex 4.B, e = 0.6112 exp(17.62 t / (243.12 + t)) kPa; 0 to 40 degC
It agrees within 0.4 % with Hyland and Wexler, the form ASHRAE uses. The deficit is taken between the bedding, whose
surface is saturated at its own temperature, and the air of the room (Dalton's form; Penman 1963).
"""

import numpy as np
from numpy.typing import NDArray

Numbers = NDArray[np.float64]


def saturation_kpa(temp_c: Numbers) -> Numbers:
    """Vapour pressure at saturation, kPa, at each temperature, degC, 0 to 40."""
    found: Numbers = 0.6112 * np.exp(17.62 * temp_c / (243.12 + temp_c))
    return found


def deficit_kpa(bed_c: Numbers, room_c: Numbers, humidity_pct: Numbers) -> Numbers:
    """Vapour pressure deficit between bedding and room, kPa, at least 0: dew is left out. A humidity over 100 % (a wet
    sensor) counts as 100 %."""
    vapour = saturation_kpa(room_c) * np.minimum(humidity_pct, 100.0) / 100.0
    found: Numbers = np.maximum(saturation_kpa(bed_c) - vapour, 0.0)
    return found
