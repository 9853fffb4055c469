"""What people do, in a scenario file.

brews:                  without any, a brewer is always brewing
  - at: 1 d             since the start; before, the brewer stands with clean water   required
    place: kettle                                                         required
    lasts: 24 h         air on                                            24 h
    used_after: 2 h     air off, until it is used                         2 h
    food: 2 g/L         sugar, kelp and the like                          0 g/L
care:                   done once
  - at: 5 h             since the start                                   required
    place: juniper/top  a tray; a bin for `empty` and `swap`              required
    water: 1 L          poured over `over`                                one of water, feed, empty
    over: 10 min                                                          10 min
    feed: 0.5 kg        fresh scraps, hottest after `peak_after`          one of water, feed, empty
    peak_after: 2 d                                                       2 d
    empty: yes          the sump                                          one of water, feed, empty
    swap: top bottom    two trays of the bin change places; probes stay   one of water, feed, empty, swap
routine:                done on school days, by somebody who looks at the truth
  - at: 10 h            of the day, by the lab's clock                    10 h
    place: juniper/top  a tray; a bin for `empty_above`                   required
    dry_below: 70 %     moisture that feels dry when squeezed             no watering
    water_to: 78 %      ... then it is watered to this                    no watering
    feed: 60 g          each time                                         no feeding
    feed_on: mon wed fri                                                  every school day
    peak_after: 2 d                                                       2 d
    empty_above: 50 %   level from which the sump is emptied              never
"""

from sim_sensors.brewing import Brew
from sim_sensors.caring import TWO_DAYS_MS, Care, Routine
from sim_sensors.mishap_file import Places, place
from sim_sensors.physics.school import DAY_MS, HOUR_MS
from sim_sensors.sections import Section, hint

BREW_KEYS = ("at", "place", "lasts", "used_after", "food")
CARE_KEYS = ("at", "place", "water", "over", "feed", "peak_after", "empty", "swap")
TRAY_ROUTINE_KEYS = ("at", "place", "dry_below", "water_to", "feed", "feed_on", "peak_after")
BIN_ROUTINE_KEYS = ("at", "place", "empty_above")
WEEKDAYS = ("mon", "tue", "wed", "thu", "fri")


def brews(top: Section, places: Places) -> tuple[Brew, ...]:
    found: list[Brew] = []
    for item in top.items("brews"):
        item.keys(BREW_KEYS)
        one = Brew(
            at_ms=round(item.number("at", "duration")),
            place=place(item, places.brewers, "brewer"),
            lasts_ms=round(item.number("lasts", "duration", 24 * HOUR_MS, low=HOUR_MS / 2)),
            used_after_ms=round(item.number("used_after", "duration", 2 * HOUR_MS)),
            food_g_l=item.number("food", "food", 0, high=50),
        )
        before = [b for b in found if b.place == one.place]
        if before and one.at_ms < before[-1].at_ms + before[-1].lasts_ms + before[-1].used_after_ms:
            item.note("the brew before it is not used yet; write brews in the order of their times", "at")
        found.append(one)
    return tuple(found)


def care(top: Section, places: Places) -> tuple[Care, ...]:
    return tuple(_care(item, places) for item in top.items("care"))


def _care(item: Section, places: Places) -> Care:
    item.keys(CARE_KEYS)
    empty, swaps = item.flag("empty"), item.value("swap") is not None
    of_bin = empty or swaps
    where = place(item, places.bins if of_bin else places.trays, "bin" if of_bin else "tray")
    if (item.value("water") is not None) + (item.value("feed") is not None) + empty + swaps != 1:
        item.note("give either 'water: 1 L' or 'feed: 0.5 kg' or 'empty: yes' or 'swap: top bottom'")
    return Care(
        at_ms=round(item.number("at", "duration")),
        place=where,
        water_kg=item.number("water", "volume", 0, high=100),
        over_ms=round(item.number("over", "duration", 600_000, low=60_000)),
        feed_kg=item.number("feed", "mass", 0, high=100),
        peak_after_ms=round(item.number("peak_after", "duration", TWO_DAYS_MS, low=HOUR_MS / 2)),
        empty=empty,
        swap=_swap(item, where, places) if swaps else None,
    )


def _swap(item: Section, bin_name: str, places: Places) -> tuple[int, int] | None:
    """The two trays, counted from the top."""
    known = [one.partition("/")[2] for one in places.in_order if one.partition("/")[0] == bin_name]
    words = item.text("swap").split()
    for word in words:
        if word not in known:
            item.note(f"{bin_name} has no tray '{word}'{hint(word, known)}", "swap")
            return None
    if len(set(words)) != 2:
        item.note("name two trays, like 'swap: top bottom'", "swap")
        return None
    return known.index(words[0]), known.index(words[1])


def routine(top: Section, places: Places) -> tuple[Routine, ...]:
    return tuple(_routine(item, places) for item in top.items("routine"))


def _routine(item: Section, places: Places) -> Routine:
    about_bin = item.value("empty_above") is not None
    item.keys(BIN_ROUTINE_KEYS if about_bin else TRAY_ROUTINE_KEYS)
    at_ms = round(item.number("at", "duration", 10 * HOUR_MS, high=DAY_MS - 1))
    if about_bin:
        level = item.number("empty_above", "percent", high=100)
        return Routine(place(item, places.bins, "bin"), at_ms, empty_above_pct=level)
    dry_below, water_to = _watering(item)
    feed_kg = item.number("feed", "mass", 0, high=100)
    if water_to == 0 and feed_kg == 0:
        item.note("give 'dry_below: 70 %' with 'water_to: 78 %', or 'feed: 60 g', or 'empty_above: 50 %'")
    peak_after_ms = round(item.number("peak_after", "duration", TWO_DAYS_MS, low=HOUR_MS / 2))
    where = place(item, places.trays, "tray")
    return Routine(where, at_ms, dry_below, water_to, feed_kg, _feed_on(item), peak_after_ms)


def _watering(item: Section) -> tuple[float, float]:
    dry_below = item.number("dry_below", "percent", 0, high=95)
    water_to = item.number("water_to", "percent", 0, high=95)
    if (dry_below > 0) != (water_to > 0) or dry_below > water_to:
        item.note("'dry_below' and 'water_to' belong together, the first below the second")
    return dry_below, water_to


def _feed_on(item: Section) -> frozenset[int]:
    words = item.text("feed_on", " ".join(WEEKDAYS)).split()
    for word in words:
        if word not in WEEKDAYS:
            item.note(f"no school day '{word}'{hint(word, WEEKDAYS)}", "feed_on")
    return frozenset(n for n, name in enumerate(WEEKDAYS) if name in words)
