"""A board that is nothing but the MQTT client, at a real broker: `mqtt_live.py FOLDER_OF_MQTT SETTINGS [WHAT TO DO]`.

Runs in MicroPython and in CPython. SETTINGS is JSON: `host`, `port`, maybe `username`, `password`, `keepalive`, `tls`
with `ca_file` and `server_name`. It prints how it fares, line by line; what it hears on its topic is what it does next:
`say`, `leave` (in order), `die` (without a word), anything else is printed.
"""

import json
import sys
import time

sys.path.insert(0, sys.argv[1])

import mqtt

TOPIC = "shop/gate/band_saw/set"
ONLINE = "shop/gate/band_saw/online"
SETTINGS = json.loads(sys.argv[2])
ASKED = []


def now():
    """Milliseconds."""
    return time.ticks_ms() if hasattr(time, "ticks_ms") else int(time.monotonic() * 1000)


def wrap():
    """As a board does it."""
    if "tls" not in SETTINGS:
        return None
    import secure

    return secure.wrapper(SETTINGS["tls"]["ca_file"], SETTINGS["tls"]["server_name"])


def hear(topic, payload, retained):
    """A message has come."""
    print("heard", payload.decode(), "retained" if retained else "live")
    ASKED.append(payload)


def main():
    """Until `leave` comes, or the connection ends."""
    client = mqtt.Client(SETTINGS, "gate-band_saw", (ONLINE, b"0"), hear, SETTINGS.get("keepalive", 5), wrap())
    client.dial(now())
    asked, longest = False, 0
    begun = now()
    while True:
        before = now()
        client.tick(before)
        longest = max(longest, now() - before)
        if client.phase == mqtt.DOWN:
            print("down", "refused" if client.refused else "lost", client.why)
            break
        if client.phase == mqtt.UP and not asked:
            asked = True
            client.subscribe([TOPIC], now())
        if client.subscribed and asked is True:
            asked = "granted"
            client.publish(ONLINE, b"1", now(), retain=True, qos=1)
            print("up")
            ASKED.extend(word.encode() for word in sys.argv[3:])
        while ASKED:
            word = ASKED.pop(0)
            if word == b"say":
                client.publish("shop/gate/band_saw/state", b"open", now(), retain=True, qos=1)
                client.publish("shop/gate/band_saw/button", b"1", now(), qos=1)
            elif word == b"leave":
                client.publish(ONLINE, b"0", now(), retain=True)
                client.bid_farewell(now())
                print("left")
                return
            elif word == b"die":
                client.drop("")
                print("dead")
                return
        if now() - begun > 60000:
            print("nothing happens", client.phase)
            return
        client.wait(10)
    print("turns", longest)


main()
