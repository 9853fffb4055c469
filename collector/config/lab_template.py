"""The lab.yaml that `traywarden init` writes: an invented school's lab that runs as it stands, every field shown."""

SCHEMA_FILE = "lab.schema.json"
"""Name of the JSON Schema beside it, for editors that check as one types."""

LAB_TEMPLATE = """\
# The lab: its bins, brewers, planters, probes and people. The school here is invented; replace it with yours.
# After each change, 'traywarden checkup' tells every mistake with its line, its column and what would be right.
# Keys (juniper, juniper-top, teacher) are your own: lower-case letters, digits and '-'. Quantities carry their unit.
# No secrets here: passwords stand in the environment or in secret files. An editor that checks YAML against a JSON
# Schema can be given lab.schema.json.

lab:
  name: Quillbrook School worm lab
  time_zone: UTC                  # IANA name: days, dates and quiet hours follow this clock
  units: metric                   # what people read: metric, or us for degrees Fahrenheit
  altitude: 100 m                 # above the sea: how much oxygen a brew can hold
  hours:                          # when people are in the lab, for alarms that heed it; left out: never
    mon-thu: [08:00-12:00, 13:00-16:00]
    fri: 08:00-13:00
  holidays: [2026-12-21 to 2027-01-03]   # days off: the lab is closed, and no digest goes out. Days, spans of
                                  # days, iCalendar files beside this one, or folders of them:
                                  # [2026-11-26, calendars/holidays.ics, calendars/]
  terms: []                       # the same forms; where there are any, all days outside of them are days off

messages:                         # when people are told what
  waking:                         # when alarms of medium priority may call; a day off has Sunday's hours
    mon-fri: 07:00-21:00
    sat-sun: 09:00-20:00
  digest: "07:00"                 # each school day: what is low priority, and how everything is
  weekly: monday                  # the maintainer's report, at the same time
  pass_on_after: 40 %             # of the time to respond: who has the next turn is told of an alarm that nobody has
                                  # acknowledged by then

bins:
  juniper:
    name: Juniper                 # what people read; left out, it is the key with a capital
    trays:                        # in order from the top
      top: {name: top tray, area: 0.165 m2, bedding: 5 kg, moisture: 75 %}  # all may be left out
      middle: {area: 0.165 m2}
      bottom: {area: 0.165 m2}    # bedding is what it weighed, moist, and moisture what it had then
  maple:
    trays:
      top:
      middle:
      bottom:

brewers:
  kettle: {name: Kettle, volume: 20 L}

planters:
  planter-1: {name: Planter 1, length: 1.5 m, width: 1.0 m}
  planter-2: {name: Round planter, area: 8 ft2}  # area, where length and width do not fit

room:
  name: Worm lab                  # probes in the room itself have 'place: room'

# A probe says where it is, on which MQTT topic it publishes, and what its messages hold.
#   place     bin/tray, a bin, a brewer, a planter, or room
#   topic     may hold '+' for any one level
#   format    senml, senml-cbor, json, or number (the whole message is one number)
#   every     how often it reports, 1 s to 1 d; left out, 1 min
#   measure   bedding_temperature, bedding_moisture, air_temperature, air_humidity, tea_temperature,
#             dissolved_oxygen, air_pump, leachate_level, battery
#   unit      what the probe sends: Cel degC degF K, / (0.76 is 76 %) or %, %RH, mg/L kg/m3, on/off, V mV;
#             count (and V, mV, Ohm and so on) with a calibration
#   model     ds18b20, capacitive, sht3x, dht22, oxygen, switch; left out, generic
# What arrives from a topic or name that is not here is kept as unplaced: 'traywarden probes list' shows it, and
# 'traywarden probes assign' writes the entry.
probes:
  juniper-top:
    place: juniper/top
    topic: worms/juniper/top
    format: senml
    senml_name: "urn:dev:mac:0024befffe804ff1:"  # how its record names start; left out, the topic alone tells
    every: 1 min
    channels:
      temperature: {name: temperature, measure: bedding_temperature, unit: Cel, model: ds18b20}
      moisture:
        name: moisture            # the record's name after senml_name
        measure: bedding_moisture
        unit: count               # a raw number: not judged until calibrated
        model: capacitive
        calibration:              # each set of points holds from its date until the next one
          - from: 2026-01-01
            points: [[1950, 62 %], [1620, 84 %]]  # [raw, true value], two or more; amounts are told between them
            note: oven samples of this bedding
      battery: {name: battery, measure: battery, unit: V}

  juniper-middle:
    place: juniper/middle
    topic: worms/juniper/middle
    format: senml-cbor
    channels:
      temperature: {name: temperature, measure: bedding_temperature, unit: Cel, model: ds18b20}
      moisture: {name: moisture, measure: bedding_moisture, unit: /}

  maple-top:
    place: maple/top
    topic: worms/maple/top
    format: json
    time: /at                     # JSON Pointer to the time of the reading; left out, the time of arrival
    channels:
      temperature: {pointer: /bed/temperature, measure: bedding_temperature, unit: degC}
      moisture: {pointer: /bed/moisture, measure: bedding_moisture, unit: "%"}

  kettle-oxygen:
    place: kettle
    topic: worms/kettle/oxygen
    format: senml
    every: 30 s
    channels:
      oxygen: {name: oxygen, measure: dissolved_oxygen, unit: mg/L, model: oxygen}
      temperature: {name: temperature, measure: tea_temperature, unit: Cel, model: ds18b20}

  kettle-pump:
    place: kettle
    topic: worms/kettle/pump
    format: number
    every: 30 s
    channels:
      pump: {measure: air_pump, unit: on/off, model: switch}

  room-air:
    place: room
    topic: worms/room/air
    format: senml
    every: 5 min
    channels:
      temperature: {name: temperature, measure: air_temperature, unit: Cel, model: sht3x}
      humidity: {name: humidity, measure: air_humidity, unit: "%RH", model: sht3x}

# Who is told, by role or group; never the name of a child. By email, by chat, or both.
#   chat        name of an address in the environment: TRAYWARDEN_CHAT__URLS="teacher-phone=scheme://..."
#   priorities  left out: low, medium and high
#   where       left out: everywhere, and of the broker and the collector itself
#   turn        1 is told first, 2 where nobody has acknowledged by then; left out, 1
#   digest      left out, yes
#   weekly      left out, no
people:
  teacher: {email: teacher@quillbrook.example, priorities: [medium, high]}
  maintainer: {email: maintainer@quillbrook.example, weekly: yes}
  # caretaker: {chat: caretaker-phone, priorities: [high], where: [juniper/*, room], turn: 2, digest: no}
"""
