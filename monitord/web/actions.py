"""What a page can change: say that an alert has been seen."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, HTTPException
from fastapi.responses import RedirectResponse

from monitord.alerts.transitions import acknowledge
from monitord.model.alerts import SYSTEM
from monitord.store import alerts as stored_alerts
from monitord.web.context import Web, job_url

_MOST_NAME, _MOST_NOTE = 80, 500


class Actions:
    """The changes, each a method. The guard lets only forms of our own pages through to here."""

    def __init__(self, web: Web) -> None:
        self._web = web

    def router(self) -> APIRouter:
        """The routes of the forms."""
        router = APIRouter(include_in_schema=False)
        router.add_api_route("/alerts/{fingerprint}/{episode}/seen", self.seen, methods=["POST"])
        return router

    def seen(
        self,
        fingerprint: str,
        episode: int,
        by: Annotated[str, Form()] = "",
        note: Annotated[str, Form()] = "",
    ) -> RedirectResponse:
        """Someone has seen an alert and takes it on: reminders stop, its closing is still told."""
        name, words = " ".join(by.split()), note.strip()
        if not name or len(name) > _MOST_NAME or len(words) > _MOST_NOTE or not name.isprintable():
            raise HTTPException(
                422, f"Give your name (at most {_MOST_NAME} letters), and a note of at most {_MOST_NOTE} if you like."
            )
        now = self._web.clock.now()
        with self._web.db.write() as conn:
            alert = stored_alerts.get_alert(conn, fingerprint, episode)
            if alert is None:
                raise HTTPException(404, "There is no such alert.")
            result = acknowledge(alert, name, words, now)
            stored_alerts.save_alerts(conn, result.alerts)
            stored_alerts.add_events(conn, result.events)
        where = "/alerts" if alert.job == SYSTEM else job_url(alert.job)
        return RedirectResponse(f"{where}#alerts", status_code=303)
