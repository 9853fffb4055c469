"""Probes in a run: each option and each fault as it shows in messages, and nowhere else."""

from dataclasses import replace
from itertools import pairwise

import pytest

from sim_sensors.pack import Pack
from sim_sensors.probe_faults import Kind
from tests.sim.small import facts, minute, of_topic, own_minute, played, records, small_lab, values

TOP, BOTTOM, KETTLE = "worms/juniper/top", "worms/juniper/bottom", "worms/kettle"


def top(faults: str = "", probes: str = "", hours: float = 1) -> list[Pack]:
    """What the top tray's probe sends with such faults."""
    return of_topic(played(small_lab(probes, faults), hours=hours), TOP)


def fault(kind: str, more: str = "") -> str:
    return f"- {{kind: {kind}, probe: juniper-top, from: 20 min, for: 20 min{more}}}"


def during(packs: list[Pack], begin: float = 20, end: float = 40) -> list[Pack]:
    return [pack for pack in packs if begin <= minute(pack) < end]


def outside(packs: list[Pack], begin: float = 20, end: float = 40) -> list[Pack]:
    return [pack for pack in packs if not begin <= minute(pack) < end]


MORE = {
    Kind.SPIKE: ", channel: temperature, size: 5",
    Kind.DRIFT: ", channel: temperature, size: 5",
    Kind.WRONG_CALIBRATION: ", channel: temperature, offset: 5",
    Kind.AIR_GAP: ", open: 5 %",
    Kind.ELSEWHERE: ", warmer: 1, wetter: 2",
}


@pytest.mark.slow
@pytest.mark.parametrize("kind", Kind)
def test_a_fault_at_one_probe_changes_nothing_at_another(kind: Kind) -> None:
    """Whatever befalls the top tray's probe, all others send the same bytes at the same times; and until it begins so
    does the probe itself."""
    quiet, broken = played(small_lab()), played(small_lab("", fault(kind.value, MORE.get(kind, ""))))
    as_sent = [[(p.t_ms, p.topic, p.payload) for p in packs] for packs in (quiet, broken)]
    others = [[sent for sent in all_sent if sent[1] != TOP] for all_sent in as_sent]
    assert others[0] == others[1]
    before = [[p.payload for p in of_topic(packs, TOP) if minute(p) < 20] for packs in (quiet, broken)]
    assert before[0] == before[1] != []


LEAVES_A_TRACE = (Kind.OUT_OF_BEDDING, Kind.UNPLUGGED, Kind.REBOOTS, Kind.DYING_BATTERY, Kind.GATEWAY_OUTAGE)


@pytest.mark.slow
@pytest.mark.parametrize("kind", [kind for kind in Kind if kind not in LEAVES_A_TRACE])
def test_after_a_fault_all_is_as_without_it(kind: Kind) -> None:
    """Faults that end without a reboot or a queue leave no trace: the same bytes as if they had never been."""
    quiet, broken = top(), top(fault(kind.value, MORE.get(kind, "") + (", late: 0 %" * (kind is Kind.FLAKY_RADIO))))
    after = [[(p.t_ms, p.payload) for p in packs if minute(p) >= 40] for packs in (quiet, broken)]
    assert after[0] == after[1] != []


@pytest.mark.slow
@pytest.mark.parametrize("kind", Kind)
def test_each_fault_stands_in_the_truth(kind: Kind) -> None:
    """With its probe, its channel where it has one, and when it begins and ends."""
    told = facts(played(small_lab("", fault(kind.value, MORE.get(kind, "")))))
    found = [(f.name, f.phase, f.values.get("probe")) for f in told if f.kind == "fault"]
    assert found == [(kind.value, "begin", "juniper-top"), (kind.value, "end", "juniper-top")]
    channels = {f.values.get("channel") for f in told if f.kind == "fault"}
    assert channels == {"temperature" if "channel: temperature" in MORE.get(kind, "") else None}


def test_unplugged_is_silence_and_then_a_boot() -> None:
    """Nothing while it lasts; the first temperature afterwards is the power-up value of the DS18B20 (data sheet)."""
    sent = top(fault("unplugged"))
    assert during(sent) == []
    after = [values(pack)["temperature"] for pack in sent if minute(pack) >= 40]
    assert after[0] == 85
    assert all(15 < value < 25 for value in after[1:])


@pytest.mark.parametrize(("channel", "says"), [("temperature", -127.0), ("moisture", 4095), ("battery", None)])
def test_one_channel_unplugged(channel: str, says: float | None) -> None:
    """A DS18B20 without contact gives -127, a capacitive probe full scale, others no value; the rest goes on."""
    sent = top(fault("unplugged", f", channel: {channel}"))
    assert {values(pack).get(channel) for pack in during(sent)} == {says}
    assert all(len(values(pack)) == (3 if says is not None else 2) for pack in during(sent))
    assert len(during(sent)) == 20
    assert all(values(pack)[channel] != says for pack in outside(sent))


def test_stuck_repeats_the_last_values_at_new_times() -> None:
    """The same values again and again; with a channel named only that one."""
    sent = top(fault("stuck"))
    last = [pack for pack in sent if minute(pack) < 20][-1]
    assert len(during(sent)) == 20
    assert all(values(pack) == values(last) for pack in during(sent))
    assert len({pack.payload for pack in sent}) == len(sent)
    moisture = during(top(fault("stuck", ", channel: temperature")))
    assert len({values(pack)["temperature"] for pack in moisture}) == 1
    assert len({values(pack)["moisture"] for pack in moisture}) > 1


def test_stuck_from_the_first_moment_has_nothing_to_repeat() -> None:
    """The first reading is true, and then it sticks."""
    sent = top("- {kind: stuck, probe: juniper-top, from: 0 min, for: 60 min}")
    assert len({str(values(pack)) for pack in sent}) == 1
    assert 15 < values(sent[0])["temperature"] < 25


def test_spikes() -> None:
    """Some readings are off by more than the scatter, and only while it lasts."""
    sent = top(fault("spike", ", channel: moisture, size: 300, share: 40 %"))
    usual = sorted(values(pack)["moisture"] for pack in outside(sent))
    off = [values(pack)["moisture"] for pack in during(sent) if abs(values(pack)["moisture"] - usual[20]) > 10]
    assert usual[-1] - usual[0] < 10
    assert 3 <= len(off) <= 15
    assert {value % 1 for value in off} == {0}


def test_drift_shows_after_a_while() -> None:
    """720 degC a day are half a degree a minute, still in steps of 1/16."""
    sent = during(top(fault("drift", ", channel: temperature, size: 720")))
    said = [values(pack)["temperature"] for pack in sent]
    assert said[-1] - said[0] == pytest.approx(9.5, abs=0.3)
    assert all(value * 16 % 1 == 0 for value in said)


@pytest.mark.parametrize("value", [-127.0, 85.0])
def test_sentinel_replaces_the_temperature_only(value: float) -> None:
    """The other channels go on."""
    sent = top(fault("sentinel", f", value: {value:g}"))
    assert {values(pack)["temperature"] for pack in during(sent)} == {value}
    assert len({values(pack)["moisture"] for pack in during(sent)}) > 1
    assert all(15 < values(pack)["temperature"] < 25 for pack in outside(sent))


def test_wrong_calibration_shifts_readings() -> None:
    """By 40 counts for as long as it lasts."""
    sent = top(fault("wrong_calibration", ", channel: moisture, offset: 40"))
    inside, others = ([values(p)["moisture"] for p in packs] for packs in (during(sent), outside(sent)))
    assert sum(inside) / len(inside) - sum(others) / len(others) == pytest.approx(40, abs=1.5)


def test_a_dying_battery_shows_and_ends_in_silence() -> None:
    """The voltage falls; messages thin out below 3.2 V, none come below 3.0; then a new cell and a boot."""
    sent = top("- {kind: dying_battery, probe: juniper-top, from: 0 min, for: 110 min}", hours=2)
    volts = {round(minute(pack)): values(pack)["battery"] for pack in sent}
    assert volts[1] > 3.9
    last = max(at for at in volts if at < 110)
    assert 60 < last < 80
    assert 3.0 <= volts[last] < 3.25
    back = [pack for pack in sent if minute(pack) >= 110]
    assert values(back[0])["battery"] > 3.9
    assert values(back[0])["temperature"] == 85


def test_a_flaky_radio_loses_some_and_delays_some() -> None:
    """Messages are missing, and others overtake each other with their own times right; arrivals stay in order."""
    sent = top(fault("flaky_radio", ", lost: 30 %, late: 40 %, late_by: 15 min"))
    taken = [own_minute(pack) for pack in sent]
    assert 8 <= sum(20 <= at < 40 for at in taken) <= 18
    assert taken != sorted(taken)
    assert max(minute(pack) - own_minute(pack) for pack in sent) > 5
    assert all(a.t_ms <= b.t_ms for a, b in pairwise(sent))


def test_a_gateway_outage_ends_in_a_burst_of_old_readings() -> None:
    """Every probe falls silent; afterwards all that was measured comes within seconds, in order, with its own times."""
    sent = played(small_lab("", "- {kind: gateway_outage, from: 20 min, for: 20 min}"))
    assert during(sent) == []
    for topic in (TOP, BOTTOM, KETTLE, "worms/room"):
        mine = of_topic(sent, topic)
        burst = [pack for pack in mine if 20 <= own_minute(pack) < 40]
        assert len(burst) == 20
        assert all(40 <= minute(pack) < 40.1 for pack in burst)
        assert [own_minute(pack) for pack in mine] == sorted(own_minute(pack) for pack in mine)
    assert len(sent) == len(played(small_lab()))


def test_a_gateway_outage_can_be_of_some_places() -> None:
    """A bin names all its trays; other probes keep talking."""
    sent = played(small_lab("", "- {kind: gateway_outage, place: juniper, from: 20 min, for: 20 min}"))
    assert {pack.topic for pack in during(sent)} == {KETTLE, "worms/room"}


def test_reboots_miss_readings_and_begin_with_85() -> None:
    """About every fourth report falls into a boot; the next one says 85; the beat changes."""
    sent = top(fault("reboots", ", every: 4 min"))
    assert 10 <= len(during(sent, 20, 41)) <= 19
    said = [values(pack)["temperature"] for pack in during(sent, 20, 43)]
    assert 2 <= said.count(85.0) <= 8
    assert all(values(pack)["temperature"] < 25 for pack in outside(sent, 20, 43))


def test_random_reboots() -> None:
    """1,440 in 30 days are two an hour."""
    probes = "juniper-top: {reboots: 1440}"
    said = [values(pack)["temperature"] for pack in top(probes=probes, hours=6)]
    assert 5 <= said.count(85.0) <= 20


def test_a_probe_in_the_pocket_reads_the_pocket() -> None:
    """With half a kilo of fresh feed heating for an hour it reads several degrees more than the bedding; where no feed
    is, the bedding."""
    lines = "- {kind: heat, place: juniper/top, from: 0 min, for: 2 h, feed: 0.5 kg, peak_after: 1 h}\n"
    sent = of_topic(played(small_lab("", lines + fault("in_pocket"))), TOP)
    inside, others = ([values(p)["temperature"] for p in packs] for packs in (during(sent), outside(sent, 15, 45)))
    assert min(inside) > max(others) + 2
    cold = top(fault("in_pocket"))
    assert all(15 < values(pack)["temperature"] < 25 for pack in cold)


def test_clocks() -> None:
    """A clock that is ahead, one that gains, and none at all: then the message has no time."""
    ahead = top(probes="juniper-top: {clock: 90 s}")
    assert all(own_minute(p) - minute(p) == pytest.approx(1.5) for p in ahead)
    behind = top(probes="juniper-top: {clock: -2 h, clock_drift: 24 min}")
    assert own_minute(behind[-1]) - minute(behind[-1]) == pytest.approx(-120 + minute(behind[-1]) / 60, abs=0.001)
    without = top(probes="juniper-top: {clock: none}")
    assert all("bt" not in record for pack in without for record in records(pack))
    assert [pack.t_ms for pack in without] == [pack.t_ms for pack in top()]


def test_duplicates_and_retained_messages() -> None:
    """About half arrive again within five seconds, byte for byte; every message says whether to keep it."""
    sent = top(probes="juniper-top: {duplicates: 50 %, retain: yes}", hours=2)
    again = [(a, b) for n, a in enumerate(sent) for b in sent[n + 1 : n + 3] if a.payload == b.payload]
    assert 40 <= len(again) <= 80
    assert all(1_000 <= b.t_ms - a.t_ms <= 5_000 for a, b in again)
    assert all(pack.retain for pack in sent)
    assert not any(pack.retain for pack in top())


def test_interval_jitter_and_noise() -> None:
    """Every 5 minutes give or take twice the jitter; ten times the scatter shows."""
    calm, wild = (top(probes=f"juniper-top: {{every: 5 min, jitter: 10 s, noise: {n}}}", hours=4) for n in (0, 10))
    gaps = [b.t_ms - a.t_ms for a, b in pairwise(calm)]
    assert all(280_000 <= gap <= 320_000 for gap in gaps)
    assert max(gaps) - min(gaps) > 10_000
    assert len({values(pack)["moisture"] for pack in calm}) <= 3
    assert len({values(pack)["moisture"] for pack in wild}) > 15


def test_long_steps_of_the_physics_leave_no_stairs() -> None:
    """With steps of 5 min readings a minute apart still follow a straight line between the states of the lab: what is
    read is what short steps give, within the steps of the probe."""
    short = small_lab("", "- {kind: dry_out, place: juniper/top, from: 0 min, for: 5 h, air_speed: 2 m/s}")
    long = replace(short, step_ms=300_000)
    found = [[values(p)["temperature"] for p in of_topic(played(one), TOP)] for one in (short, long)]
    assert max(abs(a - b) for a, b in zip(*found, strict=True)) < 0.2
    assert len(set(found[1][5:25])) > 5


def test_oxygen_lags_behind_a_stopped_pump() -> None:
    """While oxygen falls by 12 mg/L an hour and more, a 30 s probe reads about 0.1 mg/L too high (slope times lag)."""
    scenario = small_lab("", "- {kind: pump_stop, place: kettle, from: 10 min, for: 25 min}")
    sent = played(scenario)
    kettle = [(minute(p), 1000 * values(p)["oxygen"]) for p in of_topic(sent, KETTLE)]
    own = next(f for f in facts(sent) if f.kind == "probe" and f.name == "kettle-tea")
    channels = own.values["channels"]
    assert isinstance(channels, dict)
    offset = float(channels["oxygen"]["offset"])
    truth = {(f.t_ms - 1_772_438_400_000) / 60_000: f.values for f in facts(sent) if f.place == "kettle"}
    assert truth[20]["pump_on"] is False
    near = [value - offset for at, value in kettle if 19 <= at <= 21]
    true_mg_l = truth[20]["oxygen_mg_l"]
    assert isinstance(true_mg_l, float)
    assert 0.03 < sum(near) / len(near) - true_mg_l < 0.3


def test_each_probe_is_off_by_what_the_truth_says_of_it() -> None:
    """Averaged over an hour a temperature is the truth plus the offset that the truth file tells of this probe, which
    lies within 0.5 degC (data sheet of the DS18B20)."""
    sent = played(small_lab())
    offsets = {}
    for fact in facts(sent):
        channels = fact.values.get("channels", {})
        if fact.kind == "probe" and isinstance(channels, dict) and "moisture" in channels:
            offsets[fact.name] = channels["temperature"]["offset"]
    assert len(set(offsets.values())) == 2
    for tray in ("top", "bottom"):
        said = [values(p)["temperature"] for p in of_topic(sent, f"worms/juniper/{tray}")]
        states = [f.values["temperature_c"] for f in facts(sent) if f.kind == "state" and f.place == f"juniper/{tray}"]
        true_c = sum(float(str(c)) for c in states) / len(states)
        assert abs(offsets[f"juniper-{tray}"]) <= 0.5
        assert sum(said) / len(said) - true_c == pytest.approx(offsets[f"juniper-{tray}"], abs=0.05)


def test_leachate_is_a_share() -> None:
    """A probe under a bin sends how full its sump is, from 0 to 1."""
    sent = of_topic(played(small_lab("sump: {place: juniper}")), "worms/juniper/sump")
    assert len(sent) == 60
    assert all(0 <= values(pack)["leachate"] <= 1 for pack in sent)
