"""Scenarios that come with the simulator."""

from functools import cache
from importlib import resources

from sim_sensors import lab_file, scenario_file
from sim_sensors.scenario import Scenario


def names() -> tuple[str, ...]:
    files = (entry.name for entry in resources.files(__name__).iterdir())
    return tuple(sorted(f.removesuffix(".yaml") for f in files if f.endswith(".yaml")))


@cache
def load(name: str) -> Scenario:
    """A shipped scenario; KeyError where there is none of that name."""
    return scenario_file.parse(text(name), name, f"{name}.yaml")


def text(name: str) -> str:
    """Its file; KeyError where there is none of that name."""
    if name not in names():
        raise KeyError(name)
    return resources.files(__name__).joinpath(f"{name}.yaml").read_text(encoding="utf-8")


def lab_text(name: str = "school-demo") -> str:
    """The collector's lab.yaml for the probes of a shipped scenario."""
    return lab_file.text(load(name))
