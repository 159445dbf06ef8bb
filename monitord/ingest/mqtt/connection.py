"""The connection to the broker: everything that touches the MQTT client happens in the one thread of `run`."""

from __future__ import annotations

import contextlib
import logging
import os
import random
import selectors
import socket
import ssl
import threading
from collections import deque
from collections.abc import Callable, Sequence
from time import monotonic
from typing import Any

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from monitord.clock import Clock
from monitord.errors import BrokerError
from monitord.ingest.mqtt.client import forget_session, new_client
from monitord.ingest.mqtt.connect_backlog import ConnectBacklog
from monitord.ingest.mqtt.link import MAIN, Arrival, LinkState, Token, pause_s
from monitord.ingest.mqtt.read_ahead import Published
from monitord.ingest.payload_limit import cut
from monitord.ingest.writer import IncomingMessage
from monitord.model.config.broker import BrokerSettings

log = logging.getLogger(__name__)

_BURST = 64
"""Packets read before the loop looks at anything else; they reach the writer together."""
_IDLE_S = 1.0
_FLUSH_S = 2.0
_STEADY_S = 5.0
"""A session that lasted this long was a good one: the next pause starts small again."""
_SENT_AWAY = 3
"""Sessions in a row that ended sooner; then we say what the likely reason is."""
_REFUSED = 0x80
"""Reason codes from here on are refusals (MQTT 5.0, 2.4; MQTT 3.1.1, 3.9.3)."""
_LEFT_ALONE_S = 5.0
"""With the network left alone for longer than this, what then comes counts as having waited. Our choice. [s]"""
_NO_TOPIC = "monitord/nothing"
"""A filter that is never subscribed to."""
_NOT_UTF8 = "(the topic is not UTF-8)"


class Connection:
    """A persistent MQTT session with acknowledgement left to the caller.

    Parameters
    ----------
    settings : the broker.
    filters : topic filters to subscribe to.
    clock : stamps arrivals.
    deliver : called in the network thread with each burst of messages; must only queue them.
    has_room : whether more messages may be taken in; while not, the network is left alone.
    lasting : False leaves no session behind on the broker, for a look that must change nothing.
    name : of the broker in the settings; its tokens carry it.
    leaving : take what waits in the session and nothing new, and have the broker forget the session at `close` if
        nothing is left in it. MQTT 5 only.

    Raises
    ------
    ConfigurationError : the TLS files can't be used.
    """

    def __init__(
        self,
        settings: BrokerSettings,
        filters: Sequence[str],
        clock: Clock,
        deliver: Callable[[list[Arrival]], None],
        has_room: Callable[[], bool],
        *,
        lasting: bool = True,
        name: str = MAIN,
        leaving: bool = False,
    ) -> None:
        self.name = name
        self.forgotten = False
        """Whether the broker was told to forget the session."""
        self._leaving = leaving
        self.state = LinkState()
        self.moved_at = monotonic()
        """When `run` last got on, by the monotonic clock; in the future while it rests before the next try. [s]"""
        self._settings = settings
        self._filters = list(filters)
        self._clock = clock
        self._deliver = deliver
        self._has_room = has_room
        self._client = client = new_client(settings, lasting=lasting)
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        client.on_unsubscribe = self._on_unsubscribe
        self._number = 0
        self._signed_in_at: float | None = None
        self._short_sessions = 0
        self._answered = False
        self._burst: list[Arrival] = []
        self._received_at = clock.now()
        self._acknowledged: deque[Token] = deque()
        self._backlog = ConnectBacklog()
        self._delayed = False
        self._left_alone_since: float | None = None
        self._paused = False
        self._closing = threading.Event()
        self._wake_there: socket.socket | None = None

    @property
    def where(self) -> str:
        """The broker's address, for messages."""
        return f"{self._settings.host}:{self._settings.port}"

    # --- called from other threads ----------------------------------------------------------------------------

    def acknowledge(self, tokens: Sequence[Token]) -> None:
        """Tell the broker that these messages are safe. One of an earlier connection is left out: it comes again."""
        self._acknowledged.extend(tokens)
        self._wake()

    def pause(self) -> None:
        """Take no more messages, but go on acknowledging."""
        self._paused = True
        self._wake()

    def close(self) -> None:
        """Send what is to be acknowledged, say goodbye, and let `run` return. The session stays on the broker."""
        self._closing.set()
        self._wake()

    def _wake(self) -> None:
        theirs = self._wake_there
        if theirs is not None:
            with contextlib.suppress(OSError):  # it is awake already, or gone
                theirs.send(b"\0")

    # --- the network thread -----------------------------------------------------------------------------------

    def run(self) -> None:
        """Stay connected until `close`."""
        ours, theirs = socket.socketpair()
        with ours, theirs:
            ours.setblocking(False)
            theirs.setblocking(False)
            self._wake_there = theirs
            failures = 0
            while not self._closing.is_set():
                self._signed_in_at = None
                self._once(ours)
                failures = 1 if self._lasted() else failures + 1
                pause = pause_s(failures, self._settings, random.random())
                self.moved_at = monotonic() + pause
                self._closing.wait(pause)

    def _lasted(self) -> bool:
        return self._signed_in_at is not None and monotonic() - self._signed_in_at > _STEADY_S

    def _once(self, wake: socket.socket) -> None:
        """One connection, from connect to loss or close."""
        self._number += 1
        try:
            self._client.reconnect()
            while self._client.socket() is not None and not self._closing.is_set():
                self._serve(wake)
            if self._closing.is_set():
                self._goodbye()
        except ssl.SSLError as error:
            self._lost(BrokerError("no TLS with the broker", where=self.where, why=str(error), remedy=_TLS))
        except OSError as error:
            self._lost(BrokerError("can't reach the broker", where=self.where, why=str(error), remedy=_REACH))
        except Exception as error:  # the client library on bytes that are no MQTT: drop the connection, not the daemon
            log.exception("the connection to %s failed", self.where)
            self._lost(BrokerError("the broker sent what can't be read", where=self.where, why=str(error)))

    def _serve(self, wake: socket.socket) -> None:
        """Move bytes until the socket is gone or `close` was called."""
        sock = self._client.socket()
        with selectors.DefaultSelector() as selector:
            selector.register(wake, selectors.EVENT_READ)
            interest = 0
            while self._client.socket() is sock and not self._closing.is_set():
                self.moved_at = monotonic()
                self._send_acknowledgements()
                wanted = self._interest()
                if wanted != interest:
                    _change(selector, sock, interest, wanted)
                    interest = wanted
                ready = self._wait(selector, sock, wanted)
                if ready & selectors.EVENT_READ:
                    self._read()
                if ready & selectors.EVENT_WRITE:
                    self._client.loop_write()
                self._client.loop_misc()

    def _interest(self) -> int:
        read = selectors.EVENT_READ if not self._paused and self._has_room() else 0
        self._note_room(bool(read))
        return read | (selectors.EVENT_WRITE if self._client.want_write() else 0)

    def _note_room(self, room: bool) -> None:
        now = monotonic()
        if room and self._left_alone_since is not None and now - self._left_alone_since > _LEFT_ALONE_S:
            self._backlog.begin(now)
        self._left_alone_since = None if room else self._left_alone_since or now

    def _wait(self, selector: selectors.BaseSelector, sock: Any, wanted: int) -> int:
        if wanted & selectors.EVENT_READ and self._client.waiting():
            return selectors.EVENT_READ
        ready = 0
        for key, events in selector.select(_IDLE_S):
            if key.fileobj is sock:
                ready = events
            else:
                os.read(key.fd, 4096)  # it was only to wake us
        return ready

    def _read(self) -> None:
        self._received_at = self._clock.now()
        self._delayed = self._backlog.delayed(monotonic())
        # the client reads the first itself, so that it knows that the broker is alive
        if self._client.loop_read() == MQTTErrorCode.MQTT_ERR_SUCCESS and self._burst:
            self._burst.extend(map(self._arrival, self._client.messages(_BURST)))
        if self._burst:
            burst, self._burst = self._burst, []
            self._deliver(burst)

    def _arrival(self, message: Published) -> Arrival:
        token = None if message.mid is None else Token(self.name, self._number, message.mid)
        payload, whole = cut(message.payload, self._settings.max_payload_bytes)
        topic = _NOT_UTF8 if message.topic is None else message.topic
        return Arrival(IncomingMessage(topic, payload, self._received_at, message.retain, whole, self._delayed), token)

    def _send_acknowledgements(self) -> None:
        tokens = [self._acknowledged.popleft() for _ in range(len(self._acknowledged))]
        self._client.acknowledge([token.mid for token in tokens if token.connection == self._number])

    def _goodbye(self) -> None:
        """Acknowledge, wait until the broker has read it, and leave.

        Bytes on their way when a connection closes may be dropped with it, and then messages that are stored would
        come once more. So we ask for something harmless, and its answer says that what came before it was read.
        """
        self._send_acknowledgements()
        if self._signed_in_at is not None:
            self._answered = False
            self._client.unsubscribe(_NO_TOPIC)
            self._move_until(lambda: self._answered)
        self.forgotten = self._leaving and self._answered and not self._burst
        self._burst.clear()  # what came meanwhile is not acknowledged, and will come again
        self._client.disconnect(properties=forget_session() if self.forgotten else None)
        self._move_until(lambda: not self._client.want_write())
        self.state = self.state._replace(connected=False, error=None)

    def _move_until(self, done: Callable[[], bool]) -> None:
        """Move bytes until something holds, the connection ends, or a short time has passed."""
        deadline = monotonic() + _FLUSH_S
        while (sock := self._client.socket()) is not None and not done() and monotonic() < deadline:
            with selectors.DefaultSelector() as selector:
                write = selectors.EVENT_WRITE if self._client.want_write() else 0
                selector.register(sock, selectors.EVENT_READ | write)
                waiting = selectors.EVENT_READ if self._client.waiting() else 0
                left = 0.0 if waiting else deadline - monotonic()
                ready = waiting | sum(events for _, events in selector.select(left))
            if ready & selectors.EVENT_WRITE:
                self._client.loop_write()
            if ready & selectors.EVENT_READ:
                self._client.loop_read()

    # --- what the client calls, in the network thread ----------------------------------------------------------

    def _on_connect(
        self, client: Client, _userdata: Any, flags: ConnectFlags, reason: ReasonCode, _properties: Any
    ) -> None:
        if reason.is_failure:
            return self._lost(BrokerError("the broker refused us", where=self.where, why=str(reason), remedy=_SIGN_IN))
        if self.state.session_present is not None and not flags.session_present:
            log.warning("%s kept no session: what was sent while we were away is lost there", self.where)
        self._signed_in_at = monotonic()
        if flags.session_present:
            self._backlog.begin(self._signed_in_at)
        self.state = LinkState(session_present=flags.session_present)
        if self._leaving:
            client.unsubscribe(self._filters)
        elif self._settings.protocol == "5":
            # a retained message comes only with a new subscription, not again at each reconnect
            options = SubscribeOptions(qos=1, retainHandling=SubscribeOptions.RETAIN_SEND_IF_NEW_SUB)
            client.subscribe([(name, options) for name in self._filters])
        else:
            client.subscribe([(name, 1) for name in self._filters])
        return None

    def _on_subscribe(
        self, _client: Client, _userdata: Any, _mid: int, reasons: list[ReasonCode], _properties: Any
    ) -> None:
        granted = dict(zip(self._filters, reasons, strict=False))
        refused = [name for name, reason in granted.items() if reason.value >= _REFUSED]
        unsafe = [name for name, reason in granted.items() if reason.value == 0]
        error = None
        if refused:
            error = BrokerError(
                f"the broker does not let us read {', '.join(refused)}",
                where=self.where,
                why=str(granted[refused[0]]),
                remedy="Grant the daemon's user these topics in the broker's access rules",
            )
        elif unsafe:
            error = BrokerError(
                f"the broker grants only QoS 0 for {', '.join(unsafe)}, so a reading may be lost on the way",
                where=self.where,
                remedy="Allow QoS 1 in the broker's configuration",
            )
        if error:
            log.error("%s", error.message)
        else:
            log.info("connected to %s, subscribed to %s", self.where, ", ".join(self._filters))
        self.state = self.state._replace(connected=not refused, since=self._clock.now(), error=error)

    def _on_disconnect(
        self, _client: Client, _userdata: Any, flags: DisconnectFlags, reason: ReasonCode, _properties: Any
    ) -> None:
        if self._closing.is_set():
            return
        if self._signed_in_at is not None:
            self._short_sessions = 0 if self._lasted() else self._short_sessions + 1
        ended = flags.is_disconnect_packet_from_server
        what = "the broker ended the connection" if ended else "the connection was lost"
        # not every broker says that another client has taken the session over; the pattern says it too
        taken = reason == "Session taken over" or self._short_sessions >= _SENT_AWAY
        remedy = _ANOTHER if taken else None
        if self._signed_in_at is None and self.state.error is None:
            what, remedy = "the connection was closed before the broker let us in", _SHUT
        self._lost(BrokerError(what, where=self.where, why=str(reason), remedy=remedy))

    def _on_unsubscribe(self, *_: Any) -> None:
        self._answered = True
        if self._leaving:
            self.state = self.state._replace(connected=True, since=self._clock.now())

    def _on_message(self, _client: Client, _userdata: Any, message: MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = None
        mid = message.mid if message.qos else None
        # at once, so that of a large payload only its beginning stays
        self._burst.append(self._arrival(Published(topic, message.payload, mid, message.retain)))

    def _lost(self, error: BrokerError) -> None:
        known = self.state.error
        if known is not None and not self.state.connected and error.remedy is None:
            return  # the loss that follows a refusal says less than the refusal
        if known is None or known.message != error.message:
            log.warning("%s; trying again", error.message)
        self.state = self.state._replace(connected=False, error=error)


_REACH = "Check `broker.host` and `broker.port`, and that the broker runs"
_TLS = "Check `broker.tls_ca_file`, that the certificate is made out for `broker.host`, and that the port speaks TLS"
_SIGN_IN = "Check `broker.username`, `broker.password` and `broker.protocol` against the broker's configuration"
_SHUT = "See the broker's log; check that a broker answers at `broker.port`, and whether it wants `broker.tls`"
_ANOTHER = "If another program signs in with the same `broker.client_id`, each sends the other away: give each its own"


def _change(selector: selectors.BaseSelector, sock: Any, interest: int, wanted: int) -> None:
    if not interest:
        selector.register(sock, wanted)
    elif not wanted:
        selector.unregister(sock)
    else:
        selector.modify(sock, wanted)
