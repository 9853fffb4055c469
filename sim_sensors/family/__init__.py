"""Labs drawn at random from wide ranges, so that no rule can know the one it is judged in. See `ranges`."""

from sim_sensors.family.drawing import NAME, Sort, drawn, is_tuned, named, sort

__all__ = ["NAME", "Sort", "drawn", "is_tuned", "named", "sort"]
