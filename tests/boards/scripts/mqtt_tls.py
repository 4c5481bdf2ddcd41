"""The MQTT client over TLS beside a peer that is slow: `mqtt_tls.py FOLDER_OF_MQTT PORT CA_FILE silent|stuck`.

Runs in MicroPython. The client's time is a number: a call that blocked would stand for ever.
"""

import sys
import time

sys.path.insert(0, sys.argv[1])

import mqtt
import secure

PORT, CA_FILE, WHAT = int(sys.argv[2]), sys.argv[3], sys.argv[4]
NOW = 1000

client = mqtt.Client(
    {"host": "127.0.0.1", "port": PORT}, "x", ("online", b"0"), print, 5, secure.wrapper(CA_FILE, "127.0.0.1")
)


def until(true):
    """Turn, without letting the client's time pass, until it is so."""
    for _ in range(20000):
        client.tick(NOW)
        if true():
            return
        time.sleep_ms(1)
    raise AssertionError("it does not come to this: %r" % client.why)


client.dial(NOW)
until(lambda: client.phase != mqtt.DIALLING)
if WHAT == "silent":
    # Accepted, and then not a byte: the handshake waits, the loop does not.
    begun = NOW
    while client.phase != mqtt.DOWN:
        NOW += 10
        client.tick(NOW)
    print(NOW - begun, client.why)
else:
    until(lambda: client.phase == mqtt.UP)
    count = 0
    while not client.behind:
        client.publish("a", b"%06d" % count + bytes(994), NOW)
        count += 1
    # TLS holds a part of the last one, and must be handed the very same again though more waits behind it.
    for _ in range(3):
        assert client.publish("a", b"%06d" % count, NOW)
        count += 1
    print(count)
    until(lambda: not client.behind)
    client.bid_farewell(NOW)
