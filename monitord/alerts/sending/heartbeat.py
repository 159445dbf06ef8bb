"""A sign of life to another service, which raises the alarm when it stays away."""

from __future__ import annotations

import http.client
import logging
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Callable
from typing import Any

from monitord.alerts.sending.channels.answers import is_link_local
from monitord.model.config.alert_settings import HeartbeatSettings

_log = logging.getLogger(__name__)


class _NoRedirects(urllib.request.HTTPRedirectHandler):
    """The other side can't send us on to an address of its choice."""

    def redirect_request(self, *_: Any) -> None:
        """None: the answer stands as it is, and is no success."""


_OPENER = urllib.request.build_opener(_NoRedirects)


class Heartbeat:
    """Calls the URL of the settings while everything goes well.

    Parameters
    ----------
    ailment : says what is wrong with the program, or None. While something is, no call is made: the other service
        then notices, also where this program can no longer tell anyone itself.
    """

    def __init__(self, settings: HeartbeatSettings, failure: Callable[[], str | None]) -> None:
        self._settings = settings
        self._failure = failure

    def beat(self) -> bool:
        """Make one call; whether it was made and taken. Never raises: a missed call is the message."""
        if self._settings.url is None:
            return False
        wrong = self._failure()
        if wrong is not None:
            _log.error("no heartbeat: %s", wrong)
            return False
        url = self._settings.url.get_secret_value()
        try:
            host = urllib.parse.urlsplit(url).hostname
            if host is None or is_link_local(host):
                _log.error("no heartbeat: its URL names no host, or a link-local address, where nothing is sent")
                return False
            request = urllib.request.Request(url, headers={"User-Agent": "monitord"})
            with _OPENER.open(request, timeout=self._settings.timeout_s) as answer:
                return 200 <= int(answer.status) < 300
        except (urllib.error.URLError, http.client.HTTPException, OSError, ValueError) as error:
            _log.warning("the heartbeat was not taken: %s", error)
            return False
