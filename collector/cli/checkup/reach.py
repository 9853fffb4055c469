"""What `checkup` says of being warned: whether somebody would be told, whether the probes are heard at all, and
whether somebody elsewhere learns when the lab itself falls silent."""

from collections.abc import Iterator

from collector.cli.checkup.checks import Finding, fix, good, note
from collector.config.home import Home
from collector.config.settings import Settings
from collector.config.yaml.text import read_yaml
from collector.delivery.heartbeat import call
from collector.delivery.reach import reach_now
from collector.delivery.servers import chat_addresses_of, mail_server_of
from collector.domain.problems import Refused
from collector.intake.subscription import is_heard
from collector.store.watch_state import collector_state, read_state
from collector.telling.reach import reach_lines, unwarned_words

_ANSWER_S = 5.0


def check_reach(home: Home, settings: Settings) -> Iterator[Finding]:
    """Who would be told of a high alarm at each place right now; a place with nobody is to fix."""
    try:
        lab = home.load_lab()
    except Refused:
        return
    reach = reach_now(lab, mail_server_of(settings), chat_addresses_of(settings))
    alone = unwarned_words(reach, lab)
    yield (
        fix("people", alone)
        if alone
        else good("people", f"told of a high alarm now, {'; '.join(reach_lines(reach, lab))}")
    )


def check_topics(home: Home, settings: Settings) -> Iterator[Finding]:
    """Probes whose messages the collector does not ask the broker for."""
    try:
        lab, text = home.load_lab(), home.lab_text()
    except Refused:
        return
    marked, listens = read_yaml(text, "lab.yaml"), settings.mqtt.topic
    for probe in lab.probes:
        if probe.topic and not is_heard(probe.topic, listens):
            says = f"'{probe.topic}' is not within TRAYWARDEN_MQTT__TOPIC '{listens}', so what it says is not heard"
            yield fix("probes", str(marked.problem(("probes", probe.id, "topic"), says)))


def check_heartbeat(home: Home, settings: Settings, now_ms: int) -> Iterator[Finding]:
    """The web address is called once, as the collector does; of the topic it is known what a running collector last
    heard of it, since a sign of life from elsewhere would be a false one."""
    beat = settings.heartbeat
    if beat.url is None and not beat.topic:
        yield note(
            "heartbeat", "no sign of life is set up: when this computer is off, nobody hears of it; see deploy/DOWN.md"
        )
    if beat.url is not None:
        failed = call(beat.url.get_secret_value(), _ANSWER_S)
        yield (
            fix("heartbeat", f"{failed}; see TRAYWARDEN_HEARTBEAT__URL")
            if failed
            else good("heartbeat", "the web address answers")
        )
    if beat.topic:
        yield _by_topic(home, beat.topic, now_ms)


def _by_topic(home: Home, topic: str, now_ms: int) -> Finding:
    state = read_state(home.sign_of_life)
    if state is None or not collector_state(state, now_ms).runs:
        return note("heartbeat", f"'{topic}' is written by a running collector alone, so it was not tried")
    error = next(
        (heartbeat.error for heartbeat in state.heartbeat if heartbeat.by == "topic"),
        "the collector that runs does not write",
    )
    if error:
        return fix("heartbeat", f"'{topic}': {error}; see TRAYWARDEN_HEARTBEAT__TOPIC")
    return good("heartbeat", f"'{topic}' is written")
