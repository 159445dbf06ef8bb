"""Channels of alerts: who is reached by which way, a test message by one of them, and what came of it."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, HTTPException, Query
from fastapi.responses import HTMLResponse, RedirectResponse

from monitord.alerts.sending.test_message import enqueue_test
from monitord.errors import ConfigurationError
from monitord.store import outbox as stored_outbox
from monitord.web.page_context import Web, utc_times
from monitord.web.views.delivery_view import WENT

Word = Annotated[str, Form(max_length=200)]
_PATH = "/settings/channels"
_MAX_SENT = 20


class ChannelRoutes:
    """The page and its form."""

    def __init__(self, web: Web) -> None:
        self._web = web

    def router(self) -> APIRouter:
        """The routes. Messages go through the outbox, as every message does: the daemon sends them."""
        router = APIRouter(include_in_schema=False)
        router.add_api_route(_PATH, self.page, response_class=HTMLResponse)
        router.add_api_route(f"{_PATH}/test", self.test, methods=["POST"])
        return router

    def page(self, sent: Annotated[list[str] | None, Query(max_length=60)] = None) -> HTMLResponse:
        """Who is reached how; and how the test messages went that were just sent."""
        now, alerts = self._web.clock.now(), self._web.settings.alerts
        with self._web.db.read() as conn:
            found = [stored_outbox.get_entry(conn, message) for message in (sent or [])[:_MAX_SENT]]
            return self._web.page(
                conn,
                "channels.html",
                now,
                t=utc_times(now),
                people=alerts.people,
                channels=[channel.name for channel in alerts.channels],
                sent=[(entry, WENT[entry.state]) for entry in found if entry is not None],
            )

    def test(self, person: Word = "", channel: Word = "") -> RedirectResponse:
        """Send a test message to one person by one of their ways."""
        with self._web.db.write() as conn:
            try:
                made = enqueue_test(conn, self._web.settings.alerts, person, self._web.clock.now(), channel)
            except ConfigurationError as error:
                raise HTTPException(404, f"{error.message}.") from error
            self._web.note(conn, "sent a test message", None, f"to {person} by {channel}")
        ids = "&".join(f"sent={message.id}" for message in made)
        return RedirectResponse(f"{_PATH}?{ids}", status_code=303)
