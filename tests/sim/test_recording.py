"""Recordings: what --no-broker writes is what would have been published, for the collector too."""

import base64
import json
from collections.abc import Iterable

import numpy as np
import pytest

from collector.config.lab_file import read_lab
from collector.domain.lab import SeriesKey
from collector.intake.inbox import IncomingMessage, Intake
from collector.pipeline.conditioning import conditioners_of
from sim_sensors import lab_file, recording
from sim_sensors.pack import Pack
from sim_sensors.recording import BadRecording
from tests.sim.small import START_MS, played, small_lab
from tests.sim.test_payloads import ZOO


def test_a_recording_gives_back_what_was_sent() -> None:
    """All formats: time, topic, payload and whether it is to be kept, byte for byte, in order."""
    sent = played(small_lab(ZOO + "kettle-tea: {retain: yes}"))
    lines = [recording.line(pack) for pack in sent]
    back = list(recording.packs(lines, "packs.jsonl"))
    assert [(p.t_ms, p.topic, p.payload, p.retain) for p in back] == [
        (p.t_ms, p.topic, p.payload, p.retain) for p in sent
    ]
    assert {p.retain for p in back} == {True, False}
    times = [json.loads(line)["time_ms"] for line in lines]
    assert times == sorted(times)


def test_lines_by_another_reader() -> None:
    """Plain JSON: text as 'payload', what is no text as 'payload_base64'."""
    text = json.loads(recording.line(Pack(START_MS, "worms/ü", b'"21.5"\n')))
    assert text == {"time_ms": START_MS, "topic": "worms/ü", "qos": 1, "retain": False, "payload": '"21.5"\n'}
    other = json.loads(recording.line(Pack(START_MS, "a", b"\x83\xa0", retain=True)))
    assert base64.b64decode(other["payload_base64"]) == b"\x83\xa0"
    assert other["retain"] is True


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("{", "no message"),
        ("3", "no message"),
        ("{}", "'payload' is missing"),
        ('{"payload": "1", "topic": "a"}', "'time_ms' is missing"),
        ('{"payload": "1", "topic": "a", "time_ms": "soon"}', "time_ms is a whole number"),
        ('{"payload_base64": "!", "topic": "a", "time_ms": 1}', "no message"),
    ],
)
def test_lines_that_are_no_messages(line: str, told: str) -> None:
    """Each is told with its file and line number."""
    good = recording.line(Pack(START_MS, "a", b"1"))
    with pytest.raises(BadRecording, match=f"packs.jsonl:2: .*{told}"):
        list(recording.packs([good, line], "packs.jsonl"))


def taken_by_collector(packs: Iterable[Pack], lab_text: str) -> dict[str, list[float]]:
    """Values of each 'probe channel' that the collector's intake takes from a recording, in its own units."""
    lab = read_lab(lab_text)
    keys = [
        SeriesKey(probe=p.id, channel=c.key, measure=c.measure, place=p.place) for p in lab.probes for c in p.channels
    ]
    numbers = {key: number for number, key in enumerate(keys, 1)}
    intake, conditioners = Intake(lab, numbers), conditioners_of(lab, numbers, {})
    for number, line in enumerate(map(recording.line, packs), 1):
        found = json.loads(line)
        payload = found["payload"].encode() if "payload" in found else base64.b64decode(found["payload_base64"])
        intake.accept(
            IncomingMessage(topic=found["topic"], payload=payload, mid=number, redelivered=False, retained=False),
            found["time_ms"],
        )
    assert intake.oddities == []
    taken = {}
    for n, column in intake.take().items():
        one, raw = conditioners[n], np.array(column.raw)
        values, _ = one.values(np.array(column.t_ms), raw, np.zeros(raw.size, np.uint16))
        taken[f"{keys[n - 1].probe} {keys[n - 1].channel}"] = (raw if one.channel.calibrations else values).tolist()
    return taken


def test_the_collector_takes_a_recording_with_the_lab_file_made_for_it() -> None:
    """Every reading of every format finds its series, nothing is left over, and units arrive right: 20 degC beds,
    75 % wet beds, 45 %RH air in the room, 7.5 mg/L in the brew."""
    further = """\
second: {place: juniper/top, format: json, channels: {moisture: {unit: "%"}, battery: {unit: mV}}}
third: {place: juniper/top, topic: worms/room/third, format: senml-cbor, channels: {moisture: {unit: /}}, clock: none}
pump: {place: kettle, format: number, channels: {pump: }}
tea: {place: kettle, topic: worms/kettle, channels: {oxygen: , battery: }}
"""
    scenario = small_lab(ZOO + further)
    packs = played(scenario)
    taken = taken_by_collector(packs, lab_file.text(scenario))
    probes = {probe.key: probe for probe in scenario.probes}
    assert taken.keys() == {f"{p.key} {c.name}" for p in probes.values() for c in p.channels}
    assert {key: len(values) for key, values in taken.items() if len(values) != 60} == {}
    expected = {
        "juniper-top temperature": 20,
        "juniper-bottom moisture": 1710,  # raw counts, not calibrated
        "room-air air-temperature": 17,
        "second moisture": 75,
        "second battery": 3.95,
        "third moisture": 75,
        "tea oxygen": 7.5,
        "pump pump": 1,
        "level leachate": 0,
    }
    means = {key: sum(taken[key]) / 60 for key in expected}
    assert means == {key: pytest.approx(value, abs=2.0) for key, value in expected.items()}
