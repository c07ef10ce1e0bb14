"""A bare subscriber: counts messages on the same topics, acknowledges at once, keeps nothing."""

import sys
import time

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion


def main() -> None:
    """``port wanted``: print seconds from the first message to the last."""
    port, wanted = int(sys.argv[1]), int(sys.argv[2])
    seen = 0
    began = 0.0
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id="bare", protocol=paho.MQTTv5)

    def message(*_: object) -> None:
        nonlocal seen, began
        began = began or time.perf_counter()
        seen += 1

    client.on_connect = lambda c, *_: c.subscribe("plant/#", 1)
    client.on_subscribe = lambda *_: print("ready", flush=True)
    client.on_message = message
    client.connect("127.0.0.1", port)
    client.loop_start()
    until = time.perf_counter() + 120
    while seen < wanted and time.perf_counter() < until:
        time.sleep(0.001)
    print(time.perf_counter() - began, seen, flush=True)


if __name__ == "__main__":
    main()
