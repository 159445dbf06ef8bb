"""Readings handed in over HTTP: the same decoders as from the broker, and the same commit before they are accepted."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, HTTPException, Path, Request
from fastapi.concurrency import run_in_threadpool

from monitord.errors import StoreError
from monitord.ingest.decoding.topics import TopicRules
from monitord.ingest.writer import BatchWriter, IncomingMessage
from monitord.web import schemas
from monitord.web.page_context import Web

_MAX_TOPIC = 512
_Topic = Annotated[str, Path(json_schema_extra={"minLength": 1, "maxLength": _MAX_TOPIC, "pattern": r"^[^+#\u0000]+$"})]
"""A topic, with what the description of the API says of it: no wildcard and no NUL (MQTT 5.0, 4.7)."""


class IngestRoutes:
    """The one route by which a gateway without a broker hands readings in."""

    def __init__(self, web: Web) -> None:
        self._web = web
        self._writer = BatchWriter(
            web.db, TopicRules(web.settings.topics), web.settings.broker.max_payload_bytes, web.settings.quarantine
        )

    def router(self) -> APIRouter:
        """The route."""
        router = APIRouter(tags=["ingest"], responses=schemas.problems(413, 422))
        router.add_api_route(
            "/api/readings/{topic:path}", self.take, methods=["POST"], response_model=schemas.IngestedOut
        )
        return router

    async def take(self, request: Request, topic: _Topic) -> schemas.IngestedOut:
        """Take a payload in as if it had been published on a topic, such as `monitord/GATEWAY/PROBE/reading`.

        Answered only once its readings are stored durably. What can't be understood is kept in quarantine and counted
        as `held`; sending it again would not help. 503: nothing was kept, send it again.
        """
        if not topic or len(topic) > _MAX_TOPIC or "+" in topic or "#" in topic or "\0" in topic:
            raise HTTPException(422, "That is no topic: write one such as monitord/GATEWAY/PROBE/reading.")
        message = IncomingMessage(topic, await request.body(), self._web.clock.now())
        try:
            outcome = await run_in_threadpool(self._writer.commit, [message])
        except StoreError as error:
            raise HTTPException(503, f"{error.message}.", {"retry-after": "10"}) from error
        return schemas.IngestedOut(
            stored=outcome.inserted, repeats=outcome.repeats, conflicts=outcome.conflicts, held=outcome.held
        )
