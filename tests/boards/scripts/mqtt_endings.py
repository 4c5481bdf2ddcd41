"""What the boards' MQTT client must do where its peer falls silent, takes nothing more, or goes.

Runs in MicroPython and in CPython, as a program: `mqtt_endings.py FOLDER_OF_MQTT PORT`; it prints each scenario that
holds. Section numbers are those of MQTT Version 3.1.1 (OASIS 2014).
"""

import socket
import sys
import time

sys.path.insert(0, sys.argv[1])

import mqtt
from mqtt_peer import HELLO, PONG, WILL, Run, play, said, scenario

PORT = int(sys.argv[2])
RUN = Run(PORT)


@scenario
def something_leaves_within_the_keepalive_though_the_broker_talks_all_the_time():
    # Section 3.1.2.10: at least one packet in each keepalive; half of it is kept.
    for keepalive in (1, 5, 30):
        RUN.greeted(keepalive=keepalive)
        end, silent = RUN.now + 4000 * keepalive, 0
        while RUN.now < end:
            RUN.send(said(b"a", b"1"))
            heard = len(RUN.heard)
            RUN.until(lambda: len(RUN.heard) > heard)
            RUN.pass_time(50)
            RUN.peer.read()
            silent = 0 if RUN.peer.got else silent + 50
            assert silent <= 500 * keepalive + 50, (keepalive, silent)
            if RUN.peer.got:
                assert RUN.peer.got == b"\xc0\x00", RUN.peer.got
                RUN.peer.got = bytearray()
                RUN.send(PONG)
        assert RUN.client.phase == mqtt.UP, RUN.client.why


@scenario
def a_ping_that_is_not_answered_ends_the_connection_within_two_seconds_whatever_else_is_said():
    RUN.greeted()
    asked = 0
    while RUN.client.phase == mqtt.UP:
        RUN.send(said(b"a", b"1"))
        heard = len(RUN.heard)
        RUN.until(lambda: len(RUN.heard) > heard or RUN.client.phase == mqtt.DOWN)
        RUN.pass_time(50)
        RUN.peer.read()
        asked = asked or (RUN.now if RUN.peer.got else 0)
        assert RUN.now < 20000
    assert RUN.now - asked <= mqtt.ANSWER_MS + 60, RUN.now - asked
    RUN.ends("does not answer")


@scenario
def a_peer_that_falls_silent_is_given_up_within_twice_two_seconds():
    RUN.greeted()
    begun = RUN.now
    while RUN.client.phase == mqtt.UP:
        RUN.pass_time(10)
    assert RUN.now - begun <= mqtt.QUIET_MS + mqtt.ANSWER_MS + 30, RUN.now - begun
    RUN.ends("does not answer")


@scenario
def what_is_not_acknowledged_ends_the_connection_within_two_seconds():
    RUN.greeted()
    RUN.client.publish("a", b"1", RUN.now, qos=1)
    begun = RUN.now
    while RUN.client.phase == mqtt.UP:
        RUN.pass_time(10)
        RUN.peer.read()
        if b"\xc0\x00" in RUN.peer.got:
            RUN.peer.got = bytearray()
            RUN.send(PONG)
    assert mqtt.ANSWER_MS < RUN.now - begun <= mqtt.ANSWER_MS + 20
    RUN.ends("does not acknowledge")


@scenario
def an_answer_that_lay_waiting_while_the_loop_stood_still_counts():
    RUN.greeted()
    RUN.client.publish("a", b"1", RUN.now, qos=1)
    RUN.pass_time(1500)
    RUN.until(lambda: bool(RUN.peer.got))
    RUN.send(b"\x40\x02\x00\x01")
    time.sleep(0.01)
    RUN.now += 5000
    RUN.until(lambda: not RUN.client.behind)
    assert RUN.client.phase == mqtt.UP, RUN.client.why


@scenario
def a_peer_that_takes_no_more_bytes_blocks_nothing_and_is_given_up():
    RUN.greeted(small=True)
    sent = 0
    while not RUN.client.behind:
        assert RUN.client.publish("a", bytes(1000), RUN.now)
        sent += 1
        assert sent < 20000, "the network takes everything"
        if RUN.client.behind:
            time.sleep(0.05)  # now and then the network finds more room in itself
            RUN.client.tick(RUN.now)
    begun = RUN.now
    while RUN.client.phase == mqtt.UP:
        RUN.now += 10
        RUN.client.tick(RUN.now)
    assert RUN.now - begun <= mqtt.DRAIN_MS + 20, RUN.now - begun
    RUN.until(lambda: RUN.peer.ended == "reset")
    assert len(RUN.peer.got) < 1006 * sent, "what had waited in the network arrived all the same"
    RUN.ends("takes nothing more")
    RUN.greeted(small=True)
    while RUN.client.publish("a", bytes(1000), RUN.now):
        pass
    assert RUN.client.phase == mqtt.DOWN
    RUN.ends("takes nothing more")


@scenario
def what_waited_for_room_leaves_in_order_and_whole_once_there_is_room():
    RUN.greeted(small=True)
    count = 0
    while not RUN.client.behind:
        assert RUN.client.publish("a", b"%06d" % count + bytes(994), RUN.now)
        count += 1
    assert RUN.client.publish("a", b"%06d" % count, RUN.now)
    RUN.until(lambda: not RUN.client.behind and len(RUN.peer.got) == 1006 * count + 11)
    at = [1006 * number + 6 for number in range(count)] + [1006 * count + 5]
    assert [int(bytes(RUN.peer.got[one : one + 6])) for one in at] == list(range(count + 1))


@scenario
def a_long_message_leaves_whole():
    RUN.greeted()
    assert RUN.client.publish("a", bytes(20000), RUN.now)
    RUN.until(lambda: [len(body) for _, body in RUN.peer.packets()] == [20003])


@scenario
def a_peer_that_goes_at_any_point_is_noticed():
    talk = HELLO + b"\x90\x03\x00\x01\x01" + said(b"a", b"1", 0x32, b"\x00\x07") + PONG
    for cut in range(len(talk) + 1):
        RUN.reset()
        RUN.client.dial(RUN.now)
        RUN.until(RUN.peer.accept)
        begun = RUN.now
        for at in range(cut):
            RUN.send(talk[at : at + 1])
            if at == 3:
                RUN.until(lambda: RUN.client.phase == mqtt.UP)
                RUN.client.subscribe(["a"], RUN.now)
        RUN.client.tick(RUN.now)
        RUN.peer.hang_up()
        RUN.until(lambda: RUN.client.phase == mqtt.DOWN)
        assert RUN.now == begun
        assert "closed" in RUN.client.why or "lost" in RUN.client.why, RUN.client.why


@scenario
def where_nobody_listens_is_known_at_once_and_where_nobody_answers_within_a_second():
    RUN.reset()
    RUN.peer.listener.close()
    RUN.client.dial(RUN.now)
    RUN.until(lambda: RUN.client.phase == mqtt.DOWN)
    assert "no connection" in RUN.client.why, RUN.client.why
    RUN.peer.listener = socket.socket()
    RUN.reset()
    # A listener that accepts nobody and whose queue is full lets a connection hang, as a dead address does.
    address = socket.getaddrinfo("127.0.0.1", PORT)[0][-1]
    waiting = []
    for _ in range(4):
        one = socket.socket()
        one.setblocking(False)
        try:
            one.connect(address)
        except OSError as error:
            assert error.errno == 115, error
        waiting.append(one)
    time.sleep(0.05)
    RUN.client.dial(RUN.now)
    begun = RUN.now
    while RUN.client.phase == mqtt.DIALLING:
        RUN.pass_time(10)
    assert mqtt.DIAL_MS < RUN.now - begun <= mqtt.DIAL_MS + 20, (RUN.now - begun, RUN.client.why)
    assert "nobody answers" in RUN.client.why, RUN.client.why
    for one in waiting:
        one.close()


@scenario
def a_connection_that_is_not_greeted_is_given_up():
    RUN.reset()
    RUN.client.dial(RUN.now)
    RUN.until(lambda: len(RUN.peer.packets()) == 1)
    begun = RUN.now
    while RUN.client.phase == mqtt.GREETING:
        RUN.pass_time(10)
    assert RUN.now - begun <= mqtt.GREET_MS + 20
    RUN.ends("does not answer")


@scenario
def a_farewell_is_heard_whole_and_in_order():
    RUN.greeted()
    RUN.client.publish(WILL[0], b"0", RUN.now, retain=True)
    RUN.client.bid_farewell(RUN.now)
    assert RUN.client.phase == mqtt.DOWN
    RUN.until(lambda: RUN.peer.ended == "in order")
    assert [first for first, _ in RUN.peer.packets()] == [0x31, 0xE0], RUN.peer.packets()
    RUN.client.bid_farewell(RUN.now)


@scenario
def a_farewell_that_finds_no_room_ends_as_a_fault_does():
    RUN.greeted(small=True)
    while not RUN.client.behind:
        assert RUN.client.publish("a", bytes(1000), RUN.now)
    RUN.client.bid_farewell(RUN.now)
    RUN.until(lambda: RUN.peer.ended == "reset")  # and so the broker speaks the will


@scenario
def a_name_for_an_address_is_refused_before_anything_waits_for_it():
    for host in (
        "broker.shop",
        "localhost",
        "",
        "192.168.1",
        "192.168.1.256",
        "1.2.3.4.5",
        "fe80::1",
        "1.2.3.x",
        "+1.2.3.4",
    ):
        try:
            mqtt.Client({"host": host, "port": 1}, "x", WILL, RUN.hear)
        except ValueError as error:
            assert "192.168.1.10" in str(error)
        else:
            raise AssertionError(host)
    for keepalive in (0, -1, 65536):
        try:
            mqtt.Client({"host": "127.0.0.1", "port": 1}, "x", WILL, RUN.hear, keepalive)
        except ValueError as error:
            assert "1 to 65535" in str(error)
        else:
            raise AssertionError(keepalive)


@scenario
def nothing_that_is_asked_without_a_connection_does_anything():
    RUN.reset()
    RUN.client.tick(RUN.now)
    RUN.client.subscribe(["a"], RUN.now)
    assert not RUN.client.publish("a", b"1", RUN.now, qos=1)
    assert not RUN.client.behind
    assert not RUN.client.waits
    RUN.client.drop("")
    RUN.client.dial(RUN.now)
    RUN.until(lambda: RUN.client.phase == mqtt.GREETING)
    assert not RUN.client.publish("a", b"1", RUN.now)
    RUN.until(lambda: len(RUN.peer.packets()) == 1)


if __name__ == "__main__":
    play()
