"""What stands around a story, in a scenario file.

begins: 2026-06-05T12:00Z    first moment of a recording or picture, unless told otherwise    a while ago
vary:                        what a seed moves, up or down, so that many seeds are many stories    nothing
  onset: 6 h                 all that happens, by one amount; not the school's days           0 h
  size: 20 %                 feed, water, draught, drift, what is left of a pump: each by itself    0 %
  moisture: 2 %              each tray at the start, points                                   0 %
  temperature: 1 degC        room and trays; each heat wave and cold by itself                0 degC
  humidity: 5 %RH            the room's air, points                                           0 %RH
harms:                       what comes of it while nobody acts on a message; a test holds it    none
  - name: bedding-dry        see `harms`                                                      required
    place: juniper/top                                                                        required
    from: 30 h               it begins between `from` and `to`, since the start               required
    to: 50 h                                                                                  required
    know_by: 90 h            who knows by then is in time, whatever the seed                  required
    seldom: yes              not every seed comes to it                                       no
captions:                    told to whoever watches (`traywarden demo`)                      none
  - at: 30 min                                                                                required
    says: A pump stops.                                                                       required
harness:                     what a test bench around the simulator does; nothing is simulated    nothing
  mail_away: {from: 20 h, for: 10 h}    takes the mail server away
"""

from datetime import datetime

from sim_sensors.around import FIXED, Caption, Expected, Vary
from sim_sensors.harms import TIMES
from sim_sensors.mishap_file import Places
from sim_sensors.scenario import Scenario
from sim_sensors.sections import Section, hint

TOP_KEYS = ("begins", "vary", "harms", "captions", "harness")
VARY_KEYS = ("onset", "size", "moisture", "temperature", "humidity")
HARM_KEYS = ("name", "place", "from", "to", "know_by", "seldom")
CAPTION_KEYS = ("at", "says")
HARNESS_KEYS = ("mail_away",)
AWAY_KEYS = ("from", "for")
_DAY_MS = 86_400_000
_MIN_MS = 60_000


def start_ms(top: Section) -> int | None:
    """ms UTC."""
    if top.value("begins") is None:
        return None
    text = top.text("begins")
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        moment = None
    if moment is None or moment.tzinfo is None:
        top.note(f"'{text}' is not a time with its zone; write it like '2026-06-05T12:00Z'", "begins")
        return None
    return round(moment.timestamp() * 1000)


def vary(top: Section) -> Vary:
    section = top.section("vary")
    if section is None:
        return FIXED
    section.keys(VARY_KEYS)
    return Vary(
        onset_ms=round(section.number("onset", "duration", 0, high=7 * _DAY_MS)),
        size=section.number("size", "percent", 0, high=50) / 100,
        moisture_pct=section.number("moisture", "percent", 0, high=10),
        temp_c=section.number("temperature", "temperature", 0, high=5),
        humidity_pct=section.number("humidity", "humidity", 0, high=20),
    )


def check_onset(top: Section, scenario: Scenario) -> None:
    """Notes an onset that would move something to before the start."""
    begins = [fault.begin_ms for fault in scenario.faults] + [fault.begin_ms for fault in scenario.probe_faults]
    begins += [brew.at_ms for brew in scenario.brews] + [care.at_ms for care in scenario.care]
    section = top.section("vary")
    if section and min(begins, default=scenario.vary.onset_ms) < scenario.vary.onset_ms:
        earliest = f"{min(begins) / 3_600_000:g} h"
        section.note(f"the first thing happens {earliest} after the start; vary by no more than that", "onset")


def harms(top: Section, places: Places) -> tuple[Expected, ...]:
    return tuple(_harm(item, places) for item in top.items("harms"))


def _harm(item: Section, places: Places) -> Expected:
    item.keys(HARM_KEYS)
    what, place = item.text("name"), item.text("place")
    if what and what not in TIMES:
        item.note(f"no harm '{what}'{hint(what, TIMES)}", "name")
    known = {*places.trays, *places.bins, *places.brewers, "room"}
    if place and place not in known:
        item.note(f"no place '{place}'{hint(place, known)}", "place")
    first, last = round(item.number("from", "duration")), round(item.number("to", "duration"))
    if last < first:
        item.note("'to' comes before 'from'", "to")
    know_by = round(item.number("know_by", "duration", low=-_DAY_MS))
    return Expected(what, place, first, last, know_by, item.flag("seldom"))


def captions(top: Section) -> tuple[Caption, ...]:
    found: list[Caption] = []
    for item in top.items("captions"):
        item.keys(CAPTION_KEYS)
        one = Caption(round(item.number("at", "duration")), item.text("says"))
        if found and one.at_ms < found[-1].at_ms:
            item.note("write captions in the order of their times", "at")
        found.append(one)
    return tuple(found)


def mail_away(top: Section) -> tuple[int, int] | None:
    """(from, until), ms since the start."""
    section = top.section("harness")
    if section is None:
        return None
    section.keys(HARNESS_KEYS)
    away = section.section("mail_away")
    if away is None:
        section.note("'mail_away' is missing; write it like 'mail_away: {from: 20 h, for: 10 h}'")
        return None
    away.keys(AWAY_KEYS)
    begin = round(away.number("from", "duration"))
    return begin, begin + round(away.number("for", "duration", low=_MIN_MS))
