"""A subscriber that does nothing: paho-mqtt in its ordinary loop, acknowledging by itself. Prints messages per s."""

import sys
import time

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from collector.intake.session import RECEIVE_MAXIMUM


def main(port: int, messages: int) -> float:
    seen = 0
    began = ended = 0.0

    def on_message(client: Client, _data: object, _message: object) -> None:
        nonlocal seen, began, ended
        if not seen:
            began = time.perf_counter()
        seen += 1
        if seen == messages:
            ended = time.perf_counter()
            client.disconnect()

    def on_subscribe(client: Client, *_rest: object) -> None:
        if not messages:
            client.disconnect()

    client = Client(CallbackAPIVersion.VERSION2, client_id="bench-bare", protocol=MQTTProtocolVersion.MQTTv5)
    client.on_message = on_message
    client.on_subscribe = on_subscribe
    client.on_connect = lambda c, *_: c.subscribe("worms/#", qos=1)
    properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
    properties.SessionExpiryInterval = 3_600
    properties.ReceiveMaximum = RECEIVE_MAXIMUM
    client.connect("127.0.0.1", port, clean_start=False, properties=properties)
    client.loop_forever()
    return messages / (ended - began) if messages else 0.0


if __name__ == "__main__":
    print(main(int(sys.argv[1]), int(sys.argv[3])))
