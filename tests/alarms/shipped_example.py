"""A small set of alarms that ships, whose lines and texts the tests of layers name."""

FILE = "rules/worms.yaml"
SHIPPED = {
    FILE: """\
alarms:
  bedding-dry:
    kind: low
    measure: bedding_moisture
    where: [juniper/top, juniper/middle]
    setpoint: 60 %
    deadband: 2 %
    on_delay: 15 min
    priority: high
    consequence: Worms dry out.
    corrective_action: >-
      Spray a cup of water,
      then look again.
    time_to_respond: 12 h
    basis: made up for a test
  bedding-wet:
    kind: high
    measure: bedding_moisture
    setpoint: 88 %
    deadband: 2 %
    on_delay: 20 min
    priority: low
    consequence: Worms drown.
    corrective_action: Open the drain.
    time_to_respond: 2 d
    basis: made up for a test
  probe-silent:
    kind: silent
    setpoint: 30 min
    off_delay: 5 min
    priority: low
    consequence: Nobody watches.
    corrective_action: See to the battery.
    time_to_respond: 1 d
    basis: made up for a test
"""
}
REST = "priority: low, consequence: c, corrective_action: a, time_to_respond: 1 h, basis: b"
NEW = f"bench-cold: {{kind: low, measure: air_temperature, setpoint: 8 degC, on_delay: 30 min, {REST}}}"
