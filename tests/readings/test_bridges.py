import os
import threading
import time
import uuid

import pytest
from django.db import connection

from tests.factories.readings import SeriesFactory
from tests.factories.register import MembershipFactory
from valvecare.core.errors import Reason
from valvecare.core.permits import Role
from valvecare.models import Push, Reading
from valvecare.readings.bridges import Bridge, MapError, Message, read_map, row_of

GOOD = """
[broker]
host = "127.0.0.1"
port = {port}
client_id = "{client}"
[push]
source = "test broker"
actor = "{actor}"
[[map]]
topic = "{root}/+/run_hours"
series = "{{1}}.HOURS"
unit = "h"
value = "v"
at = "t"
"""


def map_file(tmp_path, text):
    path = tmp_path / "map.toml"
    path.write_text(text, "utf-8")
    return path


def good(tmp_path, **values):
    filled = {"port": 1883, "client": "c", "actor": "a", "root": "nh", **values}
    return read_map(map_file(tmp_path, GOOD.format(**filled)))


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('at = "t"', "", "Map entry 1: missing: at. Nothing is assumed."),
        ('unit = "h"', 'unit = "h"\nfactor = 2', "Map entry 1: unknown: factor"),
        ("nh/+/run_hours", "nh/#", "'#' is not taken"),
        ("{1}.HOURS", "{2}.HOURS", "the series names a '+' the topic does not have"),
        ('client_id = "c"', "", "[broker] lacks client_id."),
        ('actor = "a"', "", "[push] lacks actor."),
        ("[push]", "[push]\nsauce = 1", "[push] has unknown keys: sauce."),
        ("[[map]]", "[[map", "cannot be read"),
        ("port = 1883", 'port = "1883"', "[broker] port must be a number"),
        ("port = 1883", "port = 188300", "[broker] port must be a number"),
        ("port = 1883", 'port = 1883\ntls = "no"', "[broker] tls must be true or false"),
        ('at = "t"', "at = 3", "Map entry 1: at must be text in quotes."),
        ('topic = "nh/+/run_hours"', "topic = 7", "Map entry 1: topic must be text in quotes."),
    ],
)
def test_a_bad_map_is_refused_with_what_to_put_right(tmp_path, old, new, words):
    text = GOOD.format(port=1883, client="c", actor="a", root="nh").replace(old, new)
    with pytest.raises(MapError) as caught:
        read_map(map_file(tmp_path, text))
    assert words in str(caught.value)


def test_a_message_becomes_a_row(tmp_path):
    row = row_of(
        good(tmp_path), "nh/P-1/run_hours", b'{"v": 12.5, "t": "2026-05-04T06:00:00+02:00"}'
    )
    assert (row.series, row.value, row.unit) == ("P-1.HOURS", 12.5, "h")
    assert row.at.isoformat() == "2026-05-04T06:00:00+02:00"


@pytest.mark.parametrize(
    ("topic", "payload", "code"),
    [
        ("other/P-1/run_hours", b"{}", "topic_not_mapped"),
        ("nh/P-1/more/run_hours", b"{}", "topic_not_mapped"),
        ("nh/P-1/run_hours", b"12.5", "malformed_row"),
        ("nh/P-1/run_hours", b"not json", "malformed_row"),
        ("nh/P-1/run_hours", b'{"v": 1}', "malformed_row"),
        ("nh/P-1/run_hours", b'{"v": true, "t": "2026-05-04T06:00:00Z"}', "malformed_row"),
        ("nh/P-1/run_hours", b'{"v": "1", "t": "2026-05-04T06:00:00Z"}', "malformed_row"),
        ("nh/P-1/run_hours", b'{"v": 1, "t": "2026-05-04T06:00:00"}', "malformed_row"),
    ],
)
def test_what_cannot_be_a_row_is_a_reason(tmp_path, topic, payload, code):
    found = row_of(good(tmp_path), topic, payload)
    assert isinstance(found, Reason)
    assert found.code == code


def plant(tmp_path, **values):
    series = SeriesFactory(tag="P-1.HOURS")
    actor = MembershipFactory(site=series.site, role=Role.INTEGRATOR).user
    return series, good(tmp_path, actor=actor.get_username(), **values)


@pytest.mark.django_db
def test_refused_messages_are_logged_and_the_others_stored(tmp_path):
    series, topics = plant(tmp_path)
    messages = [
        Message("nh/P-1/run_hours", b'{"v": 5, "t": "2026-01-01T06:00:00Z"}', lambda: None),
        Message("nh/P-9/run_hours", b'{"v": 5, "t": "2026-01-01T06:00:00Z"}', lambda: None),
        Message("nh/P-1/run_hours", b"nonsense", lambda: None),
    ]
    counts = Bridge(topics).push(messages).counts
    assert (counts["created"], counts["rejected"]) == (1, 2)
    assert Push.objects.get().rejected == 2
    assert Reading.objects.filter(series=series).count() == 1


@pytest.mark.django_db(transaction=True)
def test_nothing_is_acknowledged_before_it_is_stored(tmp_path, monkeypatch):
    series, topics = plant(tmp_path)
    monkeypatch.setattr("valvecare.readings.bridges.RETRY_S", 0.05)
    monkeypatch.setattr("valvecare.readings.bridges.WAIT_S", 0.05)
    bridge, acknowledged, tries = Bridge(topics), [], []
    real = Bridge.push

    def flaky(self, messages):
        tries.append(len(messages))
        if len(tries) < 3:
            raise ConnectionError("the database is away")
        assert acknowledged == []
        return real(self, messages)

    monkeypatch.setattr(Bridge, "push", flaky)
    bridge.waiting.put(
        Message(
            "nh/P-1/run_hours",
            b'{"v": 5, "t": "2026-01-01T06:00:00Z"}',
            lambda: acknowledged.append(1),
        )
    )

    def work():
        try:
            bridge.work()
        finally:
            connection.close()

    thread = threading.Thread(target=work)
    thread.start()
    end = time.monotonic() + 20
    while not acknowledged and time.monotonic() < end:
        time.sleep(0.02)
    bridge.stopping.set()
    thread.join()
    assert (len(tries), acknowledged, bridge.pushed) == (3, [1], 1)
    assert Reading.objects.filter(series=series).count() == 1


BROKER = os.environ.get("MQTT_TEST_HOST")


@pytest.mark.skipif(not BROKER, reason="needs an MQTT broker: set MQTT_TEST_HOST and _PORT")
@pytest.mark.django_db(transaction=True)
def test_what_is_published_while_the_bridge_is_away_arrives_on_its_return(tmp_path):
    import paho.mqtt.publish as publish

    port, root = int(os.environ.get("MQTT_TEST_PORT", "1883")), f"vc{uuid.uuid4().hex[:8]}"
    series, topics = plant(tmp_path, port=port, root=root, client=f"valvecare-{root}")

    def send(first, last):
        publish.multiple(
            [
                (
                    f"{root}/P-1/run_hours",
                    f'{{"v": {day}, "t": "2026-01-{day:02d}T06:00:00Z"}}',
                    1,
                    False,
                )
                for day in range(first, last)
            ],
            hostname=BROKER,
            port=port,
        )

    def run_until(count):
        bridge = Bridge(topics)

        def run():
            try:
                bridge.run()
            finally:
                connection.close()

        thread = threading.Thread(target=run)
        thread.start()
        time.sleep(1.0)
        if count == 5:
            send(1, 6)
        end = time.monotonic() + 30
        while Reading.objects.filter(series=series).count() < count and time.monotonic() < end:
            time.sleep(0.1)
        bridge.stopping.set()
        thread.join()

    run_until(5)
    assert Reading.objects.filter(series=series).count() == 5
    send(6, 11)  # nobody listens
    run_until(10)
    values = Reading.objects.filter(series=series).order_by("at_us").values_list("value", flat=True)
    assert list(values) == [float(day) for day in range(1, 11)]
