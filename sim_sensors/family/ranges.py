"""From what each parameter of a drawn lab is drawn, with its source. `CP` stands for common practice, no source.

A `Range` is even, or even in its logarithm where sizes matter by their ratio. Sources are named once, in `why`.
"""

import math
import random
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Range:
    low: float
    high: float
    why: str
    log: bool = False

    def draw(self, draws: random.Random) -> float:
        if self.log:
            return math.exp(draws.uniform(math.log(self.low), math.log(self.high)))
        return draws.uniform(self.low, self.high)


# The lab
WET_KG = Range(3, 12, "bedding of a tray of a stacked bin, from new to full: CP")
AREA_M2 = Range(0.09, 0.25, "trays of 30 x 30 to 50 x 50 cm, makers' catalogues: CP")
LID = Range(0.04, 0.20, "drying under blanket and lid as a share of open: CP")
SIDES_W_K = Range(0.5, 1.6, "0.3 to 0.6 m2 of plastic or wood walls at 2 to 4 W/(m2 K): CP")
BETWEEN_W_K = Range(0.5, 2.5, "floor of a tray at 5 to 10 W/(m2 K): CP")
WORMS_KG_M2 = Range(1.0, 8.0, "vermiculture manuals: started at 2.5 to 5, established at 5 to 10; young bins below")
BEDDINGS = {
    "coir": (Range(5.0, 7.0, "holds: 83 to 88 % wet basis: CP"), Range(7.5, 11, "Evans et al. 1996, coir dust")),
    "mixed": (Range(4.0, 5.0, "holds: 80 to 83 %: CP"), Range(6.0, 8.0, "full: 86 to 89 %, between the other two")),
    "castings": (
        Range(3.0, 3.6, "holds: 75 to 78 %: CP"),
        Range(4.2, 5.0, "full at 81 to 83 %: 165 to 195 kg dry a m3, within Agnew and Leonard 2003 (100 to 400)"),
    ),
}
WETNESS = Range(
    0.80, 0.97, "of what it holds: best activity at 80 to 85 % of capacity (compost laboratories); CP above"
)

# The room
DAY_C = Range(18.5, 23.0, "heating in class rooms: CP")
SETBACK_C = Range(0.5, 6.0, "set back at night and weekends: CP")
HUMIDITY_PCT = Range(30, 62, "indoor air: CP")
SWING_C = Range(0.2, 1.6, "half of a room's swing by sun and outside air: CP")
ROOM_LAG_H = Range(1.0, 8.0, "light to heavy building: CP", log=True)
OUTSIDE_C = Range(3.0, 13.0, "means of the year of temperate climates: CP")
SEASON_C = Range(5.0, 10.0, "half of the difference of summer and winter: CP")
HOLIDAY_C = Range(9.0, 15.0, "heating down in a break, kept off frost: CP")

# People
DRY_BELOW = Range(0.72, 0.86, "of what the bedding holds, when a class waters: CP")
FEED_PER_DAY = Range(0.10, 0.35, "of the worms' mass: schools 0.21 to 0.36, less for young bins (school guides)")
LESSONS_WEEK = Range(0.2, 3.0, "lids opened to look: CP")
LESSON_MIN = Range(15, 55, "part of a lesson: CP")
HANDLED_MIN = Range(10, 60, "a probe laid aside meanwhile: CP")
HARVEST_MIN = Range(20, 180, "a harvest or cleaning: CP", log=True)
WARMER_C = Range(-1.5, 1.5, "spots of one tray, away from feed: 24 to 26 degC at the edge in a hobby log")
WETTER_PCT = Range(-3.0, 3.0, "spots of one tray, points of wet basis: CP")

# Probes
GAPS_EVERY_H = Range(3, 400, "a radio in a school: CP", log=True)
GAP_MIN = Range(3, 40, "half of the gaps are shorter: CP", log=True)
WEAK_EVERY_H = Range(1, 8, "a weak radio: CP", log=True)
WEAK_GAP_MIN = Range(10, 60, "... and its gaps: CP", log=True)
LOST = Range(0.001, 0.08, "single messages lost: CP", log=True)
CLOCK_S = Range(-90, 90, "a clock set by hand or now and then by the network: CP")
CLOCK_S_DAY = Range(-3, 3, "a quartz of 35 ppm: 3 s a day (data sheets)")
NOISE = Range(0.7, 2.5, "times the scatter of data sheets, by wiring and supply: CP")
AIR_GAP = Range(0.005, 0.04, "of the way to air, in a month: 0.4 to 3 points: CP")
DRIFT_PCT_DAY = Range(-0.15, 0.15, "capacitive boards without varnish: CP")

# What goes wrong
OPEN_LID = Range(0.5, 1.0, "left off, or on crooked: CP")
DRAUGHT_M_S = Range(0.0, 1.5, "a heater or a window nearby: CP")
OPEN_D = Range(3.5, 8.0, "until somebody looks: CP")
OVERFED = Range(0.2, 0.5, "feed beside the wet bedding: a school canteen's bucket: CP")
MIXED = Range(0.0, 0.7, "stirred or soaked in: CP")
FLOODED = Range(0.3, 0.9, "water beside what the bedding weighs: a can, a tap: CP")
FROST_C = Range(-8.0, 0.0, "where a room goes with the heating broken in winter: CP")
FROST_LAG_H = Range(4, 24, "... an open window to a sound building: CP", log=True)
HOT_C = Range(32.0, 38.0, "rooms under a roof in a heat wave: CP")
SUN_RISE_C = Range(9.0, 20.0, "what the sun would add without losses: 60 to 250 W through a window on a dark lid: CP")
SOFT_SUN_RISE_C = Range(1.0, 5.0, "... on a light one: CP")
SUN_H = Range(2.0, 4.5, "time the sun takes over a window: CP")
LEFT_OUT_H = Range(28, 100, "a probe left beside the bin over days: CP")
DEAD_H = Range(26, 90, "until a cable or cell is replaced: CP")
