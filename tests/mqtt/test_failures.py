"""How long to wait, which protocol to speak, what to say; time is a number here."""

from gatehand.mqtt.failures import SESSION_TAKEN_OVER, ConnectionFailedError, Disconnect, Failure, Patience, Retry
from gatehand.mqtt.settings import BrokerSettings
from gatehand.mqtt.transport import NoticeKind

SETTINGS = BrokerSettings("broker.example", client_id="shop", username="fan", password="s3cret")
PATIENCE = Patience()
BROKE = Disconnect("the connection broke", by_peer=True)


def failed(failure: Failure, cause: str = "why") -> ConnectionFailedError:
    return ConnectionFailedError(failure, cause)


def retry(protocol: str = "5") -> Retry:
    settings = SETTINGS if protocol == "5" else BrokerSettings("broker.example", protocol="3.1.1")
    return Retry(settings, PATIENCE)


def test_waits_grow_from_a_fifth_of_a_second_to_five_and_stay_there() -> None:
    one = retry()
    waits = [one.after_failure(failed(Failure.UNREACHABLE)).wait for _ in range(8)]
    assert waits == [0.2, 0.4, 0.8, 1.6, 3.2, 5.0, 5.0, 5.0]
    one.connected("5")
    assert one.after_life(BROKE, 3600.0).wait == 0.2


def test_a_refused_login_says_what_to_do_without_the_password_and_tries_slowly() -> None:
    following = retry().after_failure(failed(Failure.LOGIN, "Bad user name or password"))
    assert following.wait == PATIENCE.refused
    assert following.notice is not None
    assert following.notice.kind is NoticeKind.LOGIN_REFUSED
    assert following.notice.text == (
        "the broker at broker.example:1883 refused the login of user 'fan' (bad user name or password); "
        "correct username and password_file in [broker], or add the user to the broker; trying again slowly"
    )
    assert "s3cret" not in repr(SETTINGS)


def test_a_broker_that_knows_only_3_1_1_is_tried_so_at_once_and_from_then_on() -> None:
    one = retry()
    assert one.protocol() == "5"
    assert one.after_failure(failed(Failure.PROTOCOL)).wait == 0.0
    assert one.protocol() == "3.1.1"
    notice = one.connected("3.1.1")
    assert notice is not None
    assert notice.kind is NoticeKind.OLDER_PROTOCOL
    one.after_life(BROKE, 100.0)
    assert one.protocol() == "3.1.1"


def test_a_broker_that_stays_silent_twice_is_tried_with_each_protocol_in_turn() -> None:
    one = retry()
    spoken = []
    for _ in range(5):
        spoken.append(one.protocol())
        one.after_failure(failed(Failure.NO_ANSWER))
    assert spoken == ["5", "5", "3.1.1", "5", "3.1.1"]


def test_a_guess_at_3_1_1_does_not_outlive_its_connection() -> None:
    one = retry()
    one.after_failure(failed(Failure.NO_ANSWER))
    one.after_failure(failed(Failure.NO_ANSWER))
    one.connected("3.1.1")
    assert one.protocol() == "5"
    one.after_failure(failed(Failure.NO_ANSWER))
    assert one.protocol() == "3.1.1"


def test_a_configured_3_1_1_is_no_fall_back_and_no_news() -> None:
    one = retry("3.1.1")
    assert one.protocol() == "3.1.1"
    assert one.connected("3.1.1") is None
    assert one.after_failure(failed(Failure.PROTOCOL)).notice is not None


def test_three_short_lives_mean_that_another_client_has_our_id() -> None:
    one = retry()
    for _ in range(2):
        one.connected("5")
        assert one.after_life(BROKE, 1.0).notice is None
    one.connected("5")
    third = one.after_life(BROKE, 1.0)
    assert third.wait == PATIENCE.contended
    assert third.notice is not None
    assert third.notice.text == (
        "3 connections ended within seconds: probably another client uses the same client_id 'shop', unless the broker "
        "keeps restarting; stop the other one or change client_id in [broker]; trying again slowly"
    )


def test_short_lives_do_not_count_across_a_long_one_nor_across_a_broker_that_was_away() -> None:
    one = retry()
    for lived in (1.0, 1.0, 60.0, 1.0, 1.0):
        assert one.after_life(BROKE, lived).notice is None
    one.after_failure(failed(Failure.UNREACHABLE))
    assert one.after_life(BROKE, 1.0).notice is None


def test_what_we_gave_up_ourselves_is_no_short_life() -> None:
    one = retry()
    assert all(one.after_life(Disconnect("no sign of life"), 1.0).notice is None for _ in range(5))


def test_a_broker_that_says_so_is_believed_the_first_time() -> None:
    following = retry().after_life(Disconnect("taken over", SESSION_TAKEN_OVER, by_peer=True), 900.0)
    assert following.notice is not None
    assert "(the broker says so)" in following.notice.text


def test_every_failure_has_its_sentence_with_what_to_do() -> None:
    for failure in Failure:
        notice = retry("3.1.1").after_failure(failed(failure)).notice
        assert notice is not None
        assert "broker.example:1883" in notice.text
        assert "[broker]" in notice.text
        assert "trying again" in notice.text
