"""What the boards' MQTT client must make of whatever its peer says.

Runs in MicroPython and in CPython, as a program: `mqtt_packets.py FOLDER_OF_MQTT PORT`; it prints each scenario that
holds. Section numbers are those of MQTT Version 3.1.1 (OASIS 2014).
"""

import struct
import sys
import time

sys.path.insert(0, sys.argv[1])

import mqtt
from mqtt_peer import HELLO, PONG, SECRET, WILL, Run, lengths, play, said, scenario

PORT = int(sys.argv[2])
RUN = Run(PORT)


@scenario
def connect_is_laid_out_as_in_section_3_1():
    RUN.reset()
    RUN.client.dial(RUN.now)
    RUN.until(lambda: len(RUN.peer.packets()) == 1)
    fields = [b"gate-band_saw", WILL[0].encode(), WILL[1], b"gate-band_saw", SECRET.encode()]
    body = b"\x00\x04MQTT\x04\xe6\x00\x05" + b"".join(struct.pack(">H", len(one)) + one for one in fields)
    assert RUN.peer.got == bytes([0x10, len(body)]) + body, RUN.peer.got
    assert RUN.client.phase == mqtt.GREETING


@scenario
def a_refusal_says_why_and_that_only_a_person_can_help():
    for code, why in ((1, "3.1.1"), (2, "client id"), (3, "available"), (4, "password"), (5, "login"), (77, "77")):
        RUN.reset()
        RUN.client.dial(RUN.now)
        RUN.until(RUN.peer.accept)
        RUN.send(bytes([0x20, 2, 0, code]))
        RUN.until(lambda: RUN.client.phase == mqtt.DOWN)
        assert RUN.client.refused
        RUN.ends("the broker refuses", why)
        assert not RUN.client.refused


@scenario
def a_greeting_that_the_standard_does_not_know_ends_the_connection():
    # Anything before the CONNACK (3.2.0-1); a session though none was asked for (3.2.2-1); flags; lengths.
    for raw in (said(b"a", b"1"), PONG, b"\x40\x02\x00\x01", b"\x20\x02\x01\x00", b"\x21\x02\x00\x00", b"\x20\x01\x00"):
        RUN.reset()
        RUN.client.dial(RUN.now)
        RUN.until(RUN.peer.accept)
        RUN.send(raw)
        RUN.ends("no MQTT")


@scenario
def packets_may_come_in_any_pieces():
    talk = said(b"shop/gate/band_saw/set", b"open") + PONG + said(b"a", b"shut", 0x33, b"\x12\x34") + said(b"b", b"")
    expected = [("shop/gate/band_saw/set", b"open", False), ("a", b"shut", True), ("b", b"", False)]
    RUN.greeted()
    for cut in range(len(talk) + 1):
        RUN.heard, RUN.peer.got = [], bytearray()
        for piece in (talk[:cut], talk[cut:]):
            RUN.send(piece)
            RUN.client.tick(RUN.now)
        RUN.until(lambda: len(RUN.heard) == 3)
        assert RUN.heard == expected
        RUN.until(lambda: RUN.peer.packets() == [(0x40, b"\x12\x34")])
    RUN.heard = []
    for at in range(len(talk)):
        RUN.send(talk[at : at + 1])
        RUN.client.tick(RUN.now)
    RUN.until(lambda: len(RUN.heard) == 3)
    assert RUN.heard == expected


@scenario
def a_granted_subscription_stands_and_a_refused_one_says_so():
    RUN.greeted()
    ident = RUN.subscribe("a", "b")
    assert RUN.client.behind
    RUN.send(b"\x40\x02" + ident)  # a PUBACK is no SUBACK
    RUN.send(PONG)
    RUN.client.tick(RUN.now)
    assert not RUN.client.subscribed
    RUN.send(b"\x90\x04" + ident + b"\x01\x00")
    RUN.until(lambda: RUN.client.subscribed)
    assert not RUN.client.behind
    RUN.greeted()
    RUN.send(b"\x90\x04" + RUN.subscribe("a", "b") + b"\x01\x80")
    RUN.until(lambda: RUN.client.phase == mqtt.DOWN)
    assert RUN.client.refused
    assert not RUN.client.subscribed
    RUN.ends("may not hear its own topics")


@scenario
def an_answer_that_fits_no_question_ends_the_connection():
    for raw in (
        b"\x90\x03\x00\x00\x01",
        b"\x90\x02\x00\x00",
        b"\xd0\x01\x00",
        b"\x40\x03\x00\x01\x00",
        b"\x40\x00",
        HELLO,
    ):
        RUN.greeted()
        RUN.send(raw)
        RUN.ends("no MQTT")
    for answer in (
        lambda i: b"\x90\x04" + i + b"\x01\x01",
        lambda i: b"\x90\x03\x77\x77\x01",
        lambda i: b"\x91\x03" + i + b"\x01",
    ):
        RUN.greeted()
        RUN.send(answer(RUN.subscribe("a")))
        RUN.ends("no MQTT")


@scenario
def qos_2_and_3_and_packets_that_no_broker_sends_end_the_connection():
    for first in (0x34, 0x36, 0x00, 0x10, 0x50, 0x62, 0x70, 0x82, 0xA2, 0xB0, 0xC0, 0xE0, 0xF0):
        RUN.greeted()
        RUN.send(said(b"a", b"1", first, b"\x00\x01"))
        RUN.ends("no MQTT")
        assert RUN.heard == []


@scenario
def a_publish_shorter_than_it_says_ends_the_connection():
    for raw in (b"\x30\x00", b"\x30\x01\x00", b"\x30\x03\x00\x05a", b"\x32\x03\x00\x01a", b"\x32\x04\x00\x01a\x00"):
        RUN.greeted()
        RUN.send(raw)
        RUN.ends("no MQTT")
        assert RUN.heard == []


@scenario
def a_flood_takes_no_more_than_its_share_of_a_turn():
    RUN.greeted()
    for _ in range(20):
        RUN.peer.send(said(b"a", b"1") * 100, RUN.turn)
    time.sleep(0.01)
    while len(RUN.heard) < 2000:
        heard = len(RUN.heard)
        RUN.client.tick(RUN.now)
        assert len(RUN.heard) - heard <= mqtt.LARGEST_TURN // 6 + 1


@scenario
def a_length_takes_up_to_four_bytes():
    RUN.greeted()
    RUN.send(b"\x30\x84\x80\x80\x00\x00\x01a1")
    RUN.until(lambda: RUN.heard == [("a", b"1", False)])
    for raw in (b"\x30\x84\x80\x80\x80", b"\x20\xff\xff\xff\xff", b"\xd0\x80\x80\x80\x80\x00"):
        RUN.greeted()
        RUN.send(raw)
        RUN.ends("no MQTT")


@scenario
def a_message_that_is_too_long_is_acknowledged_and_passed_over():
    for length in (mqtt.LARGEST_IN - 5, mqtt.LARGEST_IN - 2, 70000, 2097152):  # lengths of 2, 3 and 4 bytes
        for first in (0x31, 0x33) if length < 70000 else (0x33,):
            RUN.greeted()
            ident = b"\x01\x02" if first & 2 else b""
            whole = 3 + len(ident) + length
            RUN.send(bytes([first]) + lengths(whole) + b"\x00\x01a" + ident)
            for at in range(0, length, 50000):
                RUN.send(bytes(min(50000, length - at)))
            RUN.send(said(b"b", b"1"))
            RUN.until(lambda: ("b", b"1", False) in RUN.heard)
            assert [len(payload) for _, payload, _ in RUN.heard] == (
                [length, 1] if length == mqtt.LARGEST_IN - 5 else [1]
            )
            RUN.until(lambda: RUN.peer.packets() == ([(0x40, ident)] if ident else []))
    for raw in (said(bytes(1500), b"1"), said(b"a", bytes(1500), 0x35, b"\x00\x01")):  # neither was asked for
        RUN.greeted()
        RUN.send(raw)
        RUN.ends("no MQTT")
    RUN.greeted()
    RUN.send(said(b"\xff\xfe", b"1") + said(b"a", b"1"))  # nor is one that is no text
    RUN.until(lambda: RUN.heard == [("a", b"1", False)])


@scenario
def an_acknowledgement_of_nothing_changes_nothing():
    RUN.greeted()
    assert RUN.client.publish("a", b"1", RUN.now, qos=1)
    RUN.send(b"\x40\x02\x77\x77\x40\x02\x00\x00" + said(b"a", b"1"))
    RUN.until(lambda: len(RUN.heard) == 1)
    assert RUN.client.behind
    RUN.send(b"\x40\x02\x00\x01")
    RUN.until(lambda: not RUN.client.behind)


@scenario
def packet_ids_go_from_1_to_65535_and_begin_anew():
    RUN.greeted()
    last = 0
    for _ in range(65600 // 25):
        for _ in range(25):
            assert RUN.client.publish("a", b"", RUN.now, qos=1)
        RUN.until(lambda: len(RUN.peer.got) >= 25 * 7)
        for at in range(0, 25 * 7, 7):
            last = last % 65535 + 1
            assert RUN.peer.got[at + 5 : at + 7] == struct.pack(">H", last), last
        RUN.send(b"".join(b"\x40\x02" + RUN.peer.got[at + 5 : at + 7] for at in range(0, 25 * 7, 7)))
        RUN.peer.got = bytearray()
        RUN.until(lambda: not RUN.client.behind)
    assert last == 65600 - 65535


@scenario
def too_much_unacknowledged_ends_the_connection():
    RUN.greeted()
    for _ in range(mqtt.MOST_UNACKNOWLEDGED):
        assert RUN.client.publish("a", b"1", RUN.now, qos=1)
    assert not RUN.client.publish("a", b"1", RUN.now, qos=1)
    RUN.ends("does not acknowledge")


if __name__ == "__main__":
    play()
