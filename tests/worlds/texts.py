"""Quillbrook School's lab as lab.yaml. `lab_text` puts the usual bins, room and teacher around the probes of a test."""

from collections.abc import Sequence

LAB_NAME = "Quillbrook School worm lab"


def lab_text(
    *probes: str,
    lab: str = "units: metric",
    bins: Sequence[str] = ("juniper", "maple"),
    trays: Sequence[str] = ("top", "middle", "bottom"),
    more: str = "",
    people: Sequence[str] = ("teacher",),
) -> str:
    """`probes`: entries as `probe_text` makes them. `lab`: more fields of the lab, in flow style. `more`: whole
    sections, such as 'brewers: {kettle: {}}'. `people`: roles."""
    below = ", ".join(f"{tray}: {{}}" for tray in trays)
    head = ", ".join(["name: " + LAB_NAME, "time_zone: UTC", *filter(None, [lab])])
    lines = [f"lab: {{{head}}}"]
    lines += ["bins:", *(f"  {name}: {{trays: {{{below}}}}}" for name in bins)] if bins else []
    lines += filter(None, [more.strip()])
    lines += ["probes:", *(probe.rstrip("\n") for probe in probes)]
    lines += ["people:", *(f"  {role}: {{email: {role}@quillbrook.example}}" for role in people)]
    return "\n".join([*lines, ""])


def probe_text(
    place: str,
    *channels: str,
    name: str = "",
    topic: str = "",
    format: str = "senml",
    more: str = "",
) -> str:
    """An entry under `probes`, named after its place. `channels`: such as 't: {measure: air_temperature, unit: degC}'.
    `more`: a field of its own, such as 'every: 5 min'."""
    lines = [f"  {name or place.replace('/', '-')}:", f"    place: {place}", f"    topic: {topic or f'worms/{place}'}"]
    lines += [f"    format: {format}", *(f"    {field}" for field in filter(None, [more]))]
    return "\n".join([*lines, "    channels:", *(f"      {channel}" for channel in channels), ""])


def bedding(key: str = "temperature", unit: str = "Cel", *, named: str = "name: {key}", model: str = "") -> str:
    """A channel of a probe in bedding: its `key` says what it measures. `named`: how its record is found; empty for a
    bare number."""
    fields = [named.format(key=key), f"measure: bedding_{key}", f"unit: {unit}", f"model: {model}" if model else ""]
    return f"{key}: {{{', '.join(filter(None, fields))}}}"


TEMPERATURE = bedding(model="ds18b20")
MOISTURE = bedding("moisture", "/")
