"""`traywarden-sim plot`: a story from files or from a run, drawn as SVG, and as PNG by a chromium that is installed."""

import json
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

from sim_sensors import chart, recording, truth
from sim_sensors.playing import Play
from sim_sensors.recording import BadRecording
from sim_sensors.run import run
from sim_sensors.story import Story

_BROWSERS = ("chromium", "chromium-browser", "google-chrome")
_WITHIN_S = 120


class CannotPlot(Exception):
    """One line: what is wrong with a file or missing on this machine."""


def played(play: Play) -> Story:
    """The story of a run, without messages."""
    story = Story()
    story.add_fact(json.loads(truth.head(play.scenario, play.seed, play.start_ms, play.duration_ms)))
    for pack in run(play.scenario, play.seed, play.start_ms, play.duration_ms):
        for fact in pack.facts:
            story.add_fact(json.loads(truth.line(fact)))
        story.add_pack(pack)
    story.finish()
    return story


def read(files: Sequence[Path]) -> Story:
    """The story in a truth file, with recordings and messages beside it, in any order. Raises CannotPlot and
    BadRecording."""
    kinds: dict[str, list[Path]] = {"truth": [], "recording": [], "messages": []}
    for file in files:
        kinds[_kind(file)].append(file)
    if len(kinds["truth"]) != 1:
        raise CannotPlot(
            f"one truth file is needed, {len(kinds['truth'])} given; 'traywarden-sim run --truth' writes one"
        )
    story = Story()
    _each(kinds["truth"][0], story.add_fact)
    for file in kinds["recording"]:
        with file.open(encoding="utf-8") as lines:
            for pack in recording.packs(lines, str(file)):
                try:
                    story.add_pack(pack)
                except (ValueError, KeyError, TypeError, AttributeError, IndexError):
                    raise BadRecording(f"{file}: {pack.topic}: the payload is not what the truth file says") from None
    for file in kinds["messages"]:
        _each(file, story.add_message)
    story.finish()
    return story


def _kind(file: Path) -> str:
    """What the first line of a file is of."""
    first: Any = next(iter(_lines(file)), (0, {}))[1]
    if first.get("kind") == "run":
        return "truth"
    if "topic" in first:
        return "recording"
    if "subject" in first:
        return "messages"
    raise CannotPlot(f"{file}:1: neither a truth file nor a recording nor messages; see traywarden-sim plot --help")


def _lines(file: Path) -> Iterator[tuple[int, dict[str, Any]]]:
    try:
        with file.open(encoding="utf-8") as lines:
            for number, text in enumerate(lines, 1):
                found = json.loads(text)
                if not isinstance(found, dict):
                    raise CannotPlot(f"{file}:{number}: not a JSON object")
                yield number, found
    except OSError as wrong:
        raise CannotPlot(f"{file}: cannot be read: {wrong.strerror}") from None
    except ValueError:
        raise CannotPlot(f"{file}: not JSON Lines") from None


def _each(file: Path, add: Callable[[dict[str, Any]], None]) -> None:
    for number, found in _lines(file):
        try:
            add(found)
        except KeyError as wrong:
            raise CannotPlot(f"{file}:{number}: {wrong} is missing") from None
        except (ValueError, TypeError, AttributeError) as wrong:
            raise CannotPlot(f"{file}:{number}: {wrong}") from None


def write(story: Story, out: Path, places: Sequence[str] = ()) -> None:
    """The picture as a .svg or .png file. Raises CannotPlot, OSError."""
    for place in places:
        if place not in story.places:
            raise CannotPlot(f"no place '{place}' in it; there are: {', '.join(story.places)}")
    text = chart.svg(story, places)
    if out.suffix == ".svg":
        out.write_text(text, encoding="utf-8")
    elif out.suffix == ".png":
        _as_png(text, out)
    else:
        raise CannotPlot(f"{out}: name a file that ends in .svg or .png")


def _as_png(text: str, out: Path) -> None:
    browser = next((found for found in map(shutil.which, _BROWSERS) if found), None)
    if browser is None:
        raise CannotPlot(f"{out}: a .png needs chromium, which is not installed; write a .svg, or install chromium")
    size = text.partition('viewBox="0 0 ')[2].partition('"')[0].replace(" ", ",")
    with tempfile.TemporaryDirectory(prefix="traywarden-sim-") as folder:
        page = Path(folder, "picture.html")
        page.write_text(f'<!doctype html><meta charset="utf-8"><body style="margin:0">{text}', encoding="utf-8")
        command = [browser, "--headless", "--no-sandbox", "--hide-scrollbars", f"--user-data-dir={folder}/profile"]
        command += [f"--window-size={size}", f"--screenshot={out.absolute()}", page.as_uri()]
        try:
            done = subprocess.run(command, capture_output=True, timeout=_WITHIN_S, check=False)  # noqa: S603 - found above
        except subprocess.TimeoutExpired:
            raise CannotPlot(f"{out}: {browser} did not answer within {_WITHIN_S} s") from None
    if done.returncode != 0 or not out.exists():
        raise CannotPlot(f"{out}: {browser} drew nothing (exit code {done.returncode}); write a .svg instead")
