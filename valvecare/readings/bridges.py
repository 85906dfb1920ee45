"""MQTT in: an optional subscriber that shares the ingest function with the API.

Persistent session and QoS 1: what is published while the bridge is away is delivered when it
returns. A message is acknowledged after the commit of its readings, never before; a database that
is down means no acknowledgement, and the broker delivers again. A row that is refused is
acknowledged all the same: it is logged with its reason and would be refused again.

The topic map is a TOML file (docs/mqtt.md):

    [broker]
    host = "127.0.0.1"
    port = 1883
    client_id = "valvecare-nh"
    # username = "…"; password_env = "NAME_OF_VARIABLE"; tls = true

    [push]
    source = "NH broker"
    actor = "svc-nh-gateway"
    site = "NH"

    [[map]]
    topic = "nh/+/run_hours"
    series = "{1}.RUN_H"
    unit = "h"
    value = "v"
    at = "t"

`{1}`, `{2}` stand for the topic's `+` parts; `value`, `at`, `quality` name members of the JSON
payload. A time is never assumed: a map without `at` is refused.
"""

import os
import queue
import re
import threading
import time
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec
import structlog
from django.contrib.auth import get_user_model
from django.db import close_old_connections

from valvecare.core.errors import Reason
from valvecare.readings.actions.push_readings import PushResult, push_readings
from valvecare.readings.rules import Row
from valvecare.web import clock

log = structlog.get_logger("valvecare.mqtt")

MOST_IN_ONE_PUSH = 1_000
WAIT_S = 0.5
RETRY_S = 2.0


class MapError(ValueError):
    """What is wrong with the topic map, as a sentence."""


@dataclass(frozen=True)
class TopicRule:
    """One entry of the map; `pattern` matches whole topics."""

    topic: str
    pattern: re.Pattern[str]
    series: str
    unit: str
    value: str
    at: str
    quality: str | None


@dataclass(frozen=True)
class TopicMap:
    """The file, checked."""

    broker: Mapping[str, Any]
    source: str
    actor: str
    site: str | None
    rules: tuple[TopicRule, ...]

    def rule_of(self, topic: str) -> tuple[TopicRule, re.Match[str]] | None:
        for rule in self.rules:
            match = rule.pattern.fullmatch(topic)
            if match:
                return rule, match
        return None


_BROKER = {"host", "port", "client_id", "username", "password_env", "tls", "keepalive"}
_PUSH = {"source", "actor", "site"}
_RULE = {"topic", "series", "unit", "value", "at", "quality"}


def _pattern(topic: str) -> re.Pattern[str]:
    parts = topic.split("/")
    if "#" in topic:
        raise MapError(f"Topic {topic!r}: '#' is not taken; name each level, '+' for any one.")
    return re.compile("/".join("([^/]+)" if part == "+" else re.escape(part) for part in parts))


def _entry(number: int, given: Mapping[str, Any]) -> TopicRule:
    unknown = sorted(set(given) - _RULE)
    missing = sorted({"topic", "series", "unit", "value", "at"} - set(given))
    if unknown or missing:
        words = [f"unknown: {', '.join(unknown)}"] if unknown else []
        words += [f"missing: {', '.join(missing)}"] if missing else []
        raise MapError(f"Map entry {number}: {'; '.join(words)}. Nothing is assumed.")
    no_text = sorted(name for name, value in given.items() if not isinstance(value, str))
    if no_text:
        raise MapError(f"Map entry {number}: {', '.join(no_text)} must be text in quotes.")
    pattern = _pattern(given["topic"])
    wanted = {int(found) for found in re.findall(r"\{(\d+)\}", given["series"])}
    if wanted - set(range(1, pattern.groups + 1)):
        raise MapError(f"Map entry {number}: the series names a '+' the topic does not have.")
    return TopicRule(
        topic=given["topic"],
        pattern=pattern,
        series=given["series"],
        unit=given["unit"],
        value=given["value"],
        at=given["at"],
        quality=given.get("quality"),
    )


def read_map(path: Path) -> TopicMap:
    """Read and check a topic map. Raises `MapError` with what to put right."""
    try:
        content = tomllib.loads(path.read_text("utf-8"))
    except (OSError, tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise MapError(f"{path.name} cannot be read: {error}") from error
    broker, push = content.get("broker", {}), content.get("push", {})
    for name, section, known in (("broker", broker, _BROKER), ("push", push, _PUSH)):
        unknown = sorted(set(section) - known)
        if unknown:
            raise MapError(f"[{name}] has unknown keys: {', '.join(unknown)}.")
    for name, section, keys in (
        ("broker", broker, ("host", "port", "client_id")),
        ("push", push, ("source", "actor")),
    ):
        missing = [key for key in keys if not section.get(key)]
        if missing:
            raise MapError(f"[{name}] lacks {', '.join(missing)}.")
    port, tls = broker["port"], broker.get("tls", False)
    if isinstance(port, bool) or not isinstance(port, int) or not 0 < port < 65_536:
        raise MapError("[broker] port must be a number from 1 to 65535, without quotes.")
    if not isinstance(tls, bool):
        raise MapError("[broker] tls must be true or false, without quotes.")
    rules = tuple(_entry(n, entry) for n, entry in enumerate(content.get("map", []), start=1))
    if not rules:
        raise MapError("There is no [[map]] entry.")
    return TopicMap(broker, push["source"], push["actor"], push.get("site"), rules)


def row_of(topics: TopicMap, topic: str, payload: bytes) -> Row | Reason:
    """What one message says as a row, or why it cannot be one."""
    found = topics.rule_of(topic)
    if found is None:
        return Reason("topic_not_mapped", f"No entry of the map matches {topic!r}.")
    rule, match = found
    try:
        said = msgspec.json.decode(payload)
    except (msgspec.DecodeError, RecursionError) as error:
        return Reason("malformed_row", f"{topic}: the payload is not JSON: {error}")
    if not isinstance(said, dict):
        return Reason("malformed_row", f"{topic}: the payload is not a JSON object.")
    series = re.sub(r"\{(\d+)\}", lambda part: match.group(int(part.group(1))), rule.series)
    fields = {
        "series": series,
        "at": said.get(rule.at),
        "value": said.get(rule.value),
        "unit": rule.unit,
    }
    if rule.quality is not None:
        fields["quality"] = said.get(rule.quality)
    if topics.site:
        fields["site"] = topics.site
    try:
        return msgspec.convert(fields, Row, strict=True)
    except msgspec.ValidationError as error:
        return Reason("malformed_row", f"{topic}: {error}.", "Nothing is assumed.")


@dataclass(frozen=True)
class Message:
    topic: str
    payload: bytes
    acknowledge: Callable[[], object]


class Bridge:
    """Collects messages, pushes them in one transaction, then acknowledges them."""

    def __init__(self, topics: TopicMap) -> None:
        self.topics = topics
        self.waiting: queue.Queue[Message] = queue.Queue(maxsize=10 * MOST_IN_ONE_PUSH)
        self.stopping = threading.Event()
        self.pushed = 0

    def _actor(self) -> Any:
        users = get_user_model()
        actor = users._default_manager.filter(
            **{users.USERNAME_FIELD: self.topics.actor}, is_active=True
        ).first()
        if actor is None:
            raise MapError(f"[push] actor {self.topics.actor!r} is no active person here.")
        return actor

    def _next(self) -> list[Message]:
        """Wait for a message, then take what comes within the next moment."""
        try:
            found = [self.waiting.get(timeout=WAIT_S)]
        except queue.Empty:
            return []
        end = time.monotonic() + WAIT_S
        while len(found) < MOST_IN_ONE_PUSH and (left := end - time.monotonic()) > 0:
            try:
                found.append(self.waiting.get(timeout=left))
            except queue.Empty:
                break
        return found

    def push(self, messages: Sequence[Message]) -> PushResult:
        """One ingest call; raises when the database does not answer."""
        rows = [row_of(self.topics, message.topic, message.payload) for message in messages]
        return push_readings(
            rows,
            actor=self._actor(),
            at=clock.now(),
            source=self.topics.source,
            site=self.topics.site,
        )

    def work(self) -> None:
        """Push until stopped. Not acknowledged until committed; retried while it fails."""
        while not self.stopping.is_set():
            messages = self._next()
            while messages and not self.stopping.is_set():
                close_old_connections()
                try:
                    counts = self.push(messages).counts
                except Exception:  # noqa: BLE001 whatever failed, the messages must not be lost
                    log.exception("push_failed", messages=len(messages))
                    self.stopping.wait(RETRY_S)
                    continue
                for message in messages:
                    message.acknowledge()
                self.pushed += len(messages)
                log.info("pushed", **{word.replace(" ", "_"): n for word, n in counts.items()})
                messages = []

    def run(self) -> None:
        """Connect, subscribe, and work until `stopping` is set."""
        import paho.mqtt.client as mqtt

        broker = self.topics.broker
        client = mqtt.Client(
            mqtt.CallbackAPIVersion.VERSION2,
            client_id=broker["client_id"],
            clean_session=False,
            manual_ack=True,
        )
        if broker.get("username"):
            client.username_pw_set(
                broker["username"], os.environ.get(broker.get("password_env", ""), None)
            )
        if broker.get("tls"):
            client.tls_set()

        def subscribe(_client: Any, _userdata: Any, _flags: Any, code: Any, *_: Any) -> None:
            if code.is_failure:
                log.error("broker_refused_the_login", reason=str(code))
                return  # the library tries again; nothing is heard until it is let in
            client.subscribe([(rule.topic, 1) for rule in self.topics.rules])

        def subscribed(_client: Any, _userdata: Any, _mid: Any, codes: Any, *_: Any) -> None:
            for rule, code in zip(self.topics.rules, codes, strict=False):
                if code.is_failure:
                    log.error("topic_refused", topic=rule.topic, reason=str(code))
            log.info("subscribed", topics=sum(not code.is_failure for code in codes))

        def take(_client: Any, _userdata: Any, message: Any) -> None:
            self.waiting.put(
                Message(
                    message.topic,
                    message.payload,
                    lambda: client.ack(message.mid, message.qos),
                )
            )

        client.on_connect, client.on_subscribe = subscribe, subscribed
        client.on_message = take
        client.max_inflight_messages_set(2 * MOST_IN_ONE_PUSH)
        client.connect(broker["host"], int(broker["port"]), int(broker.get("keepalive", 60)))
        client.loop_start()
        try:
            self.work()
        finally:
            client.disconnect()
            client.loop_stop()
