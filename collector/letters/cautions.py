"""What to heed before and after a deed in the lab."""

from collector.alarms.model import Rule, What

_HANDS = "Afterwards wash your hands with soap and running water, 20 s or more."  # CDC, hand washing
_PLUG = "Dry hands; pull the plug before you reach into the water."  # common practice, no source
_TRAY = ("bedding_temperature", "bedding_moisture", "leachate_level")
_WATER = ("tea_temperature", "dissolved_oxygen", "oxygen_saturation", "air_pump")


def cautions(rule: Rule, measure: str, overdue: bool) -> tuple[str, str]:
    """Before and after what the rule asks for; each empty where there is nothing, or where the rule says so itself."""
    wet = rule.what in (What.BREW_END, What.TEA_USE) if overdue else measure in _WATER
    if not (overdue or wet or measure in _TRAY):
        return "", ""
    said = rule.corrective_action.lower()
    plug = _PLUG if wet and "pull the plug" not in said else ""
    return plug, "" if "wash" in said and "hands" in said else _HANDS
