"""The lab the benches run in: two bins of three trays, a probe box in each tray that sends three measures."""

from collections.abc import Sequence
from pathlib import Path

LAB_NAME = "Quillbrook School worm lab"
TRAYS = tuple(f"{name}/{tray}" for name in ("juniper", "maple") for tray in ("top", "middle", "bottom"))


def lab_text(
    topic_prefix: str = "worms",
    channels: tuple[str, ...] = ("temperature", "moisture", "battery"),
    people: Sequence[str] = ("teacher",),
) -> str:
    """lab.yaml with one probe a tray; each sends SenML with its tray's name as base name."""
    lines = [f"lab: {{name: {LAB_NAME}, time_zone: UTC, units: metric}}", "bins:"]
    for name in ("juniper", "maple"):
        lines += [f"  {name}:", "    trays: {top: {}, middle: {}, bottom: {}}"]
    lines.append("probes:")
    shapes = {
        "temperature": "{name: temperature, measure: bedding_temperature, unit: Cel, model: ds18b20}",
        "moisture": "{name: moisture, measure: bedding_moisture, unit: '/'}",
        "battery": "{name: battery, measure: battery, unit: V}",
    }
    for tray in TRAYS:
        lines += [
            f"  {tray.replace('/', '-')}:",
            f"    place: {tray}",
            f"    topic: {topic_prefix}/{tray}",
            "    format: senml",
            "    every: 1 min",
            "    channels:",
            *(f"      {name}: {shapes[name]}" for name in channels),
        ]
    lines += ["people:", *(f"  {role}: {{email: {role}@quillbrook.example}}" for role in people), ""]
    return "\n".join(lines)


def make_home(folder: Path, people: Sequence[str] = ("teacher",)) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "lab.yaml").write_text(lab_text(people=people), encoding="utf-8")
    return folder


def pack(tray: str, t_s: float, temperature: float, moisture: float, battery: float = 3.9) -> str:
    """A SenML pack of three records, as the probe boxes send it."""
    name = f"urn:dev:mac:{tray.replace('/', '')}:"
    return (
        f'[{{"bn":"{name}","bt":{t_s:.3f},"n":"temperature","u":"Cel","v":{temperature}}},'
        f'{{"n":"moisture","u":"/","v":{moisture}}},{{"n":"battery","u":"V","v":{battery}}}]'
    )
