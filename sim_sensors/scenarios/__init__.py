"""Scenarios that come with the simulator, and the lab file of the one the demo plays."""

from importlib import resources

from sim_sensors import scenario_file
from sim_sensors.scenario import Scenario

_LAB = ".lab.yaml"


def names() -> tuple[str, ...]:
    files = (entry.name for entry in resources.files(__name__).iterdir())
    return tuple(sorted(f.removesuffix(".yaml") for f in files if f.endswith(".yaml") and not f.endswith(_LAB)))


def load(name: str) -> Scenario:
    """A shipped scenario; KeyError where there is none of that name."""
    if name not in names():
        raise KeyError(name)
    return scenario_file.parse(_text(f"{name}.yaml"), name, f"{name}.yaml")


def lab_text(name: str = "school-demo") -> str:
    """The collector's lab.yaml for the probes of a shipped scenario."""
    return _text(f"{name}{_LAB}")


def _text(file: str) -> str:
    return resources.files(__name__).joinpath(file).read_text(encoding="utf-8")
