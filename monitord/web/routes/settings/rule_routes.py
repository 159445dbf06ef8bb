"""A topic rule tried on a message: the owner's page of `monitord topics try`; it stores and changes nothing."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Form, HTTPException
from fastapi.responses import HTMLResponse

from monitord.errors import ConfigurationError
from monitord.ingest.decoding.topics import TopicRules
from monitord.ingest.dry_run import draft, explain, rules_from
from monitord.ingest.recipes import recipes
from monitord.store import quarantine
from monitord.web.page_context import Web

_LONG = 8000
"""Characters of a held payload that the form takes: with the rules it stays under what a form may hold."""
_PATH = "/settings/rules"
_Text = Annotated[str, Form(max_length=16_000)]


class RuleRoutes:
    """The page and its form."""

    def __init__(self, web: Web) -> None:
        self._web = web

    def router(self) -> APIRouter:
        """The routes."""
        router = APIRouter(include_in_schema=False)
        router.add_api_route(_PATH, self.form, response_class=HTMLResponse)
        router.add_api_route(_PATH, self.tried, methods=["POST"], response_class=HTMLResponse)
        return router

    def form(self, held: int | None = None, kind: str | None = None) -> HTMLResponse:
        """An empty form; with `held` what the rules of the settings make of a payload in quarantine, with `kind` the
        form with a recipe in it."""
        if held is None:
            return self._page({"topic": "", "payload": "", "hex": False, "rules": recipes().get(kind or "", "")})
        with self._web.db.read() as conn:
            item = quarantine.get_held(conn, held)
        if item is None:
            raise HTTPException(404, "Nothing of this number is held.")
        text, as_hex = _text_of(item.payload)
        typed = {"topic": item.topic, "payload": text if len(text) <= _LONG else "", "hex": as_hex, "rules": ""}
        return self._tried(typed, item.payload)

    def tried(
        self,
        topic: _Text = "",
        payload: _Text = "",
        hex: _Text = "",
        rules: _Text = "",
    ) -> HTMLResponse:
        """What the rules make of a message, step by step."""
        typed = {"topic": topic.strip(), "payload": payload, "hex": bool(hex), "rules": rules}
        if not typed["topic"]:
            return self._page(typed, 422, wrong="Write the topic that the message was published on.")
        try:
            data = bytes.fromhex(payload) if hex else payload.strip().encode()
        except ValueError:
            return self._page(typed, 422, wrong="The payload is not hexadecimal. Untick that, or correct it.")
        return self._tried(typed, data)

    def _tried(self, typed: dict[str, Any], payload: bytes) -> HTMLResponse:
        now = self._web.clock.now()
        own = typed["rules"].strip()
        try:
            rules = rules_from(own, "the rules below") if own else TopicRules(self._web.settings.topics)
        except ConfigurationError as error:
            return self._page(typed, 422, wrong=f"{error.message}.")
        steps = explain(typed["topic"], payload, now, rules)
        held = steps[-1].found.startswith("held:")
        proposal = draft(typed["topic"], payload, now) if held else None
        return self._page(typed, steps=steps, held=held, proposal=proposal, own=bool(own))

    def _page(self, typed: dict[str, Any], status: int = 200, **values: Any) -> HTMLResponse:
        known = {"steps": None, "held": False, "proposal": None, "own": False, "wrong": ""} | values
        with self._web.db.read() as conn:
            return self._web.page(
                conn, "rules.html", self._web.clock.now(), status, typed=typed, kinds=list(recipes()), **known
            )


def _text_of(payload: bytes) -> tuple[str, bool]:
    """A payload as text, or as hexadecimal where it is none."""
    try:
        text = payload.decode()
    except UnicodeDecodeError:
        return payload.hex(), True
    return (text, False) if all(mark.isprintable() or mark.isspace() for mark in text) else (payload.hex(), True)
