"""A probe on its way through a run: when it reports, what it says, and when its messages reach the broker.

Every kind of chance has a stream of random numbers of its own (errors of the probe, timing, link, one per channel, one
per fault), and draws whether or not anything comes of it; so a fault, or a channel more, changes nothing elsewhere.
"""

import random
from collections.abc import Iterator
from dataclasses import dataclass

from sim_sensors import payloads, probe_faults, probe_sites, probes
from sim_sensors.pack import Pack
from sim_sensors.probe_faults import DAY_MS, Gaps, Kind, ProbeFault
from sim_sensors.probe_setup import Channel, Probe, Spot
from sim_sensors.probe_sites import Look
from sim_sensors.probes import Model, Sample, Traits, Value
from sim_sensors.scenario import Scenario
from sim_sensors.world import World

BURST_MS = 20
"""Time between messages that a gateway hands over after an outage."""
SECOND_COPY_MS = (1_000, 5_000)
"""How much later a message arrives again that was sent twice."""
MONTH_MS = 30 * DAY_MS


@dataclass(slots=True)
class _Sensor:
    """One channel: its model, its own errors, and what has reached it so far."""

    channel: Channel
    model: Model
    own: Traits
    draws: random.Random
    look: Look | None
    """None: the battery, which is no part of the lab."""
    reached: float = 0.0
    seen: float = 0.0
    seen_ms: int = -1

    def feel(self, truth: float, elapsed_ms: int) -> float:
        """The true value after the probe's lag."""
        if self.model.lag_s > 0 and self.seen_ms >= 0:
            seconds = (elapsed_ms - self.seen_ms) / 1000
            self.reached = probes.lagged(self.reached, self.seen, truth, seconds, self.model.lag_s)
        else:
            self.reached = truth
        self.seen, self.seen_ms = truth, elapsed_ms
        return self.reached


class _Between:
    """The lab at a moment between two states of it, on the straight line from one to the other."""

    __slots__ = ("_after", "_now", "_share")

    def __init__(self, now: World, after: World, t_ms: int) -> None:
        self._now, self._after = now, after
        self._share = (t_ms - now.t_ms) / (after.t_ms - now.t_ms)

    def see(self, look: Look) -> float:
        before = look(self._now)
        return before + (look(self._after) - before) * self._share


class Box:
    """One probe. `due_ms` is when it reports next."""

    def __init__(self, scenario: Scenario, probe: Probe, seed: int, start_ms: int) -> None:
        self.probe = probe
        self._start_ms = start_ms
        self._faults = tuple(f for f in scenario.probe_faults if f.probe == probe.key)
        self._fault_draws = {fault: fault.stream(seed) for fault in self._faults}
        looks = probe_sites.looks(scenario, probe.place, probe.spot)
        self._temp_c = looks.get("temperature") or looks.get("air-temperature")
        self._pocket = probe_sites.pocket(scenario, probe.place) if probe.spot is Spot.TRAY else None
        self._sensors = [_sensor(probe, channel, seed, looks) for channel in probe.channels]
        self._air = probe_sites.looks(scenario, "room", Spot.ROOM)["air-temperature"]
        self._handled = tuple(f for f in self._faults if f.kind in probe_faults.HANDLED)
        self._gaps = {f: Gaps(f, self._fault_draws[f]) for f in self._faults if f.kind is Kind.RADIO_GAPS}
        self._encode = payloads.encoder(probe)
        self._timing, self._link = _stream(seed, probe, "timing"), _stream(seed, probe, "link")
        self._last: Sample | None = None
        self._booted = False
        self._off = False
        self._gateway_free_ms = 0
        self._beat_ms = start_ms + self._timing.randrange(probe.jitter_ms, probe.every_ms - probe.jitter_ms)
        self.due_ms = self._jittered()

    @property
    def errors(self) -> dict[str, Traits]:
        """By channel, what is wrong with this very probe."""
        return {sensor.channel.name: sensor.own for sensor in self._sensors}

    def report(self, now: World, after: World) -> Iterator[Pack]:
        """What comes of the report that is due between two states of the lab, in no order; then `due_ms` is that of the
        next."""
        t_ms = self.due_ms
        elapsed = t_ms - self._start_ms
        active = [f for f in self._faults if f.active(elapsed)]
        volts = probe_faults.battery_v(self._faults, elapsed)
        off, rebooted = self._powerless(active, volts), self._reboots(active)
        sample = self._sample(_Between(now, after, t_ms), elapsed, active, volts)
        silent = off or rebooted
        lost = [probe_faults.loses(f, volts, self._fault_draws[f]) for f in active]
        heard = not any(lost) and not any([self._gaps[f].away(elapsed) for f in active if f in self._gaps])
        late_ms = sum(probe_faults.delay_ms(f, self._fault_draws[f]) for f in active)
        twice, copy_ms = self._link.random() < self.probe.duplicates, self._link.randint(*SECOND_COPY_MS)
        if not silent and sample:
            self._last, self._booted = sample, False
            if heard:
                payload = self._encode(self._own_time(t_ms, elapsed), sample)
                arrives = self._through_gateway(t_ms, active) + late_ms
                yield self._pack(arrives, payload)
                if twice:
                    yield self._pack(arrives + copy_ms, payload)
        self._next(rebooted)

    def _pack(self, t_ms: int, payload: bytes) -> Pack:
        return Pack(t_ms, self.probe.topic, payload, retain=self.probe.retain)

    def _jittered(self) -> int:
        """The beat, give or take the jitter of a cheap clock and a busy radio."""
        return self._beat_ms + self._timing.randint(-self.probe.jitter_ms, self.probe.jitter_ms)

    def _next(self, rebooted: bool) -> None:
        """A reboot starts the beat anew, a while after the moment it began."""
        self._beat_ms += self.probe.every_ms
        if rebooted:
            self._beat_ms += self._link.randrange(self.probe.every_ms // 2)
        self.due_ms = self._jittered()

    def _own_time(self, t_ms: int, elapsed_ms: int) -> int | None:
        ahead = self.probe.clock_ms
        return None if ahead is None else t_ms + ahead + round(self.probe.clock_gain_ms_day * elapsed_ms / DAY_MS)

    def _reboots(self, active: list[ProbeFault]) -> bool:
        """Whether the box is starting just now, so that this report is missed."""
        by_chance = self._link.random() < self.probe.reboots_month * self.probe.every_ms / MONTH_MS
        for fault in active:
            if fault.kind is Kind.REBOOTS:
                by_chance |= self._fault_draws[fault].random() < self.probe.every_ms / fault.every_ms
        self._booted |= by_chance
        return by_chance

    def _powerless(self, active: list[ProbeFault], volts: float) -> bool:
        """Whether the whole box is off; when it comes on again it has just booted."""
        off = any(probe_faults.cuts_power(f, volts) for f in active)
        self._booted |= self._off and not off
        self._off = off
        return off

    def _through_gateway(self, t_ms: int, active: list[ProbeFault]) -> int:
        """When a message sent now gets through. What waits keeps its order, and what comes after queues behind it."""
        held = [self._start_ms + f.end_ms for f in active if f.kind is Kind.GATEWAY_OUTAGE]
        arrives = max(t_ms, self._gateway_free_ms, *held)
        if arrives > t_ms:
            self._gateway_free_ms = arrives + BURST_MS
        return arrives

    def _sample(self, lab: _Between, elapsed_ms: int, active: list[ProbeFault], volts: float) -> Sample:
        temp_c = lab.see(self._temp_c) if self._temp_c is not None else probes.REFERENCE_C
        sample: Sample = {}
        for sensor in self._sensors:
            name = sensor.channel.name
            about = [f for f in active if f.concerns(name)] if active else active
            value = self._value(sensor, lab, elapsed_ms, about, volts, temp_c)
            if self._last is not None and any(f.kind is Kind.STUCK for f in about):
                value = self._last.get(name, value)
            elif value is not None:
                value = probes.in_unit(name, sensor.channel.unit, value)
            if value is not None:
                sample[name] = value
        return sample

    def _value(
        self, sensor: _Sensor, lab: _Between, elapsed_ms: int, about: list[ProbeFault], volts: float, temp_c: float
    ) -> Value | None:
        """In the unit the probe measures in; None where it has no value."""
        model, kinds = sensor.model, {f.kind: f for f in about}
        look = self._pocket if Kind.IN_POCKET in kinds and self._pocket is not None else sensor.look
        there = lab.see(look) if look is not None else volts
        if self._handled:
            there = self._at_its_spot(sensor.channel.name, there, lab, elapsed_ms)
        reached = sensor.feel(there, elapsed_ms)
        noise = self.probe.noise * sensor.draws.gauss()
        reading = probes.reading(model, sensor.own, reached, temp_c, elapsed_ms / DAY_MS, noise)
        for fault in about:
            reading = probe_faults.bent(fault, elapsed_ms, reading, self._fault_draws[fault])
        if not about and not self._booted:
            return model.says(reading)
        if Kind.SENTINEL in kinds:
            return kinds[Kind.SENTINEL].value
        if Kind.UNPLUGGED in kinds and kinds[Kind.UNPLUGGED].channel:
            return model.unplugged
        if self._booted and model.powered_up is not None:
            return model.powered_up
        return model.says(reading)

    def _at_its_spot(self, name: str, there: float, lab: _Between, elapsed_ms: int) -> float:
        """The true value where somebody put the probe, which may be beside the bin."""
        for fault in self._handled:
            if fault.concerns(name):
                air = lab.see(self._air) if name == "temperature" else probe_faults.AIR_PCT
                there = probe_faults.placed(fault, name, elapsed_ms, there, air)
        return there


def _stream(seed: int, probe: Probe, name: str) -> random.Random:
    return random.Random(f"{seed}:{probe.key}:{name}")  # noqa: S311 - reproducible noise; nothing secret hangs on it


def _sensor(probe: Probe, channel: Channel, seed: int, looks: dict[str, Look]) -> _Sensor:
    model = probes.MODELS[channel.model, channel.name]
    own = probes.traits(model, _stream(seed, probe, f"{channel.name} errors"))
    return _Sensor(channel, model, own, _stream(seed, probe, channel.name), looks.get(channel.name))
